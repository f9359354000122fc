"""A word before the first compiled loop, when it must be compiled."""

from __future__ import annotations

import atexit
import os

from chainkit.cli import show

COMPILED = ("render", "verify", "measure", "compare", "scout", "ride", "songs", "demo")
"""Commands that run compiled loops."""


def tell_of_compiling(command: str) -> None:
    """Say that the first use compiles, where that is so; every use, where nothing can be kept."""
    if command not in COMPILED:
        return
    if not any(map(_can_be_written, _caches())):
        _keep_for_this_process()
        word = "each time, since no folder can be written that would keep them (NUMBA_CACHE_DIR)"
    elif not any(map(_holds_compiled_code, _caches())):
        word = "once"
    else:
        return
    show.note(f"compiling its loops, {word}; this takes some seconds")


def _keep_for_this_process() -> None:
    """Give numba a folder of our own, since it refuses to work without one.

    Not one that stays under a name that others know: what lies there is run.
    """
    import shutil
    import tempfile

    os.environ["NUMBA_CACHE_DIR"] = folder = tempfile.mkdtemp(prefix="chainkit-loops-")
    atexit.register(shutil.rmtree, folder, ignore_errors=True)


def _can_be_written(folder: str) -> bool:
    while not os.path.exists(folder) and folder != os.path.dirname(folder):
        folder = os.path.dirname(folder)
    return os.path.isdir(folder) and os.access(folder, os.W_OK)


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
