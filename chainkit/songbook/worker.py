"""What happens in a process that waits for work.

It imports little, so that the process is settled before it loads the rest.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
from collections.abc import Callable
from typing import TypeVar

from chainkit.process import keep_interrupts, load_numba, settle

Found = TypeVar("Found")
_ENDED = threading.Event()
"""Set in a process whose work was ended by Ctrl-C: what is still queued for it is not begun."""


def begin() -> None:
    """Make the process deaf to Ctrl-C while it waits, and let it leave when its parent is gone."""
    settle()
    load_numba()
    keep_interrupts()
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    if hasattr(signal, "pthread_sigmask"):
        signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGINT})
    parent = multiprocessing.parent_process()

    def watch() -> None:
        if parent is not None:
            parent.join()
            os._exit(1)

    threading.Thread(target=watch, daemon=True).start()


def interruptible(work: Callable[[Found], Found], found: Found) -> Found:
    """Do `work` on `found`; Ctrl-C ends it, and it cleans up after itself."""
    if _ENDED.is_set():
        raise KeyboardInterrupt
    signal.signal(signal.SIGINT, signal.default_int_handler)
    try:
        return work(found)
    except KeyboardInterrupt:
        _ENDED.set()
        raise
    finally:
        signal.signal(signal.SIGINT, signal.SIG_IGN)
