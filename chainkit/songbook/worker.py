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

from chainkit.leaving import leave, leave_on_signals
from chainkit.process import load_numba, settle

Found = TypeVar("Found")
_ENDED = threading.Event()
"""Set in a process whose work was ended by Ctrl-C: what is still queued for it is not begun."""


def begin() -> None:
    """Make the process deaf to Ctrl-C while it waits, and let it leave when its parent is gone."""
    settle()
    load_numba()
    leave_on_signals()
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
    """Do `work` on `found`; a signal ends it, and it cleans up after itself.

    Ctrl-C comes out as KeyboardInterrupt. Another signal is for this process alone and ends it.
    """
    if _ENDED.is_set():
        raise KeyboardInterrupt
    signal.signal(signal.SIGINT, leave)
    try:
        return work(found)
    except KeyboardInterrupt:
        _ENDED.set()
        raise
    except SystemExit as ended:
        os._exit(ended.code if isinstance(ended.code, int) else 1)
    finally:
        signal.signal(signal.SIGINT, signal.SIG_IGN)
