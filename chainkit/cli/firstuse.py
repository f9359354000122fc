"""A word to the user when the compiled loops are not in the cache yet."""

from __future__ import annotations

import os
import sys

COMPILED = ("render", "verify", "measure", "compare", "scout", "ride", "songs", "demo")
"""Commands that run compiled loops."""


def tell_of_compiling(command: str) -> None:
    """Say that the first use compiles, where that is so."""
    if command in COMPILED and not any(map(_holds_compiled_code, _caches())):
        print("chainkit: compiling its loops, once; this takes some seconds", file=sys.stderr)


def _caches() -> list[str]:
    """Folders where numba keeps what it compiled: its own if set, the package's, the user's."""
    package = os.path.dirname(os.path.dirname(os.path.abspath(__file__)))
    home = os.environ.get("XDG_CACHE_HOME") or os.path.expanduser("~/.cache")
    own = os.environ.get("NUMBA_CACHE_DIR")
    return [own] if own else [os.path.join(package, "dsp", "__pycache__"), f"{home}/numba"]


def _holds_compiled_code(folder: str) -> bool:
    try:
        with os.scandir(folder) as entries:
            return any(
                entry.name.endswith(".nbi") or (entry.is_dir() and "dsp_" in entry.name)
                for entry in entries
            )
    except OSError:
        return False
