"""Names and locks of files and folders that are not complete.

A process that is killed leaves its unfinished ones. Each is locked while its process lives, and
whoever writes into the folder next, from the same machine, removes those that are not.
"""

from __future__ import annotations

import os
import platform
import secrets
import shutil
import stat
import zlib
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

PENDING = ".chainkit-*.part"
"""Names of what is not complete: a pattern, which a name of one's own fills."""
_OWN = 8
"""Bytes, as hexadecimal digits, that tell what one machine is at work on apart."""


def pending_name() -> str:
    """A name of one's own."""
    return PENDING.replace("*", f"{_machine()}-{secrets.token_hex(_OWN)}")


def held(pending: Path, make: Callable[[Path], int | None]) -> int | None:
    """Make an unfinished file or folder and lock it, until the descriptor is closed.

    Parameters
    ----------
    pending : Path
    make : callable
        Makes it and returns a descriptor of it, or None where the system gives none.

    Returns
    -------
    int or None
        The descriptor.

    Raises
    ------
    OSError
        It cannot be made.
    """
    while True:
        descriptor = make(pending)
        if descriptor is not None:
            _locked(descriptor, wait=True)
        if pending.exists():
            return descriptor
        # Another process was faster with the lock and took it for a leftover.
        if descriptor is not None:
            os.close(descriptor)


def remove_ended(folder: Path) -> None:
    """Remove what processes of this machine that are no more left unfinished in `folder`."""
    own = f"{_machine()}-{'[0-9a-f]' * (2 * _OWN)}"
    with suppress(OSError):
        for leftover in folder.glob(PENDING.replace("*", own)):
            with suppress(OSError):
                _remove_unlocked(leftover)


def _machine() -> str:
    """What tells this machine's unfinished files from those of others that share the folder.

    A lock need not reach them.
    """
    return f"{zlib.crc32(platform.node().encode()):08x}"


def _remove_unlocked(leftover: Path) -> None:
    mode = leftover.lstat().st_mode
    if not (stat.S_ISREG(mode) or stat.S_ISDIR(mode)):
        return
    descriptor = os.open(leftover, os.O_RDONLY)
    try:
        if not _locked(descriptor):
            return
        if stat.S_ISDIR(mode):
            shutil.rmtree(leftover, ignore_errors=True)
        else:
            leftover.unlink()
    finally:
        os.close(descriptor)


def _locked(descriptor: int, wait: bool = False) -> bool:
    """Whether this process holds it now, which the system lets go of when it ends.

    Some systems (Windows) and file systems have no such locks.
    """
    try:
        import fcntl

        fcntl.flock(descriptor, fcntl.LOCK_EX | (0 if wait else fcntl.LOCK_NB))
    except (ImportError, OSError):
        return False
    return True
