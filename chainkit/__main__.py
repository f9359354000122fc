"""``python -m chainkit`` is the ``chainkit`` command."""

from __future__ import annotations

import sys

from chainkit.cli.main import main

sys.exit(main())
