"""Work on songs that other processes can find by name: for tests of the pool."""

from __future__ import annotations

import os
from dataclasses import replace

from chainkit.songbook.work import RENDERED


def dies_at_second(found):
    """Work that takes its process with it at the second song."""
    if found.voice.number == 2:
        os._exit(3)
    return replace(found, state=RENDERED)
