"""Scout: trouble frequencies of a source, audible evidence, a starting chain."""

from __future__ import annotations

from chainkit.scout.analyse import Scouting, scout_file
from chainkit.scout.findings import Finding

__all__ = ["Finding", "Scouting", "scout_file"]
