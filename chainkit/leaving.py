"""Leaves a process of our own by an exception on a signal, so that it tidies up behind itself."""

from __future__ import annotations

import _thread
import signal
import sys
import time
from types import FrameType
from typing import Any

_put_off: set[int] = set()
"""Signals that are about to come again."""
_leaving = False
"""Whether SIGTERM or SIGHUP has ended the work."""


def leave_on_signals() -> None:
    """Leave by an exception on a signal, so that unfinished files are removed.

    That is KeyboardInterrupt on Ctrl-C, and SystemExit with 128 and the signal's number on SIGTERM
    and SIGHUP. A signal that is ignored, as SIGHUP under nohup, stays so.
    """
    try:
        for name in ("SIGINT", "SIGTERM", "SIGHUP"):
            number = getattr(signal, name, None)
            if number is not None and signal.getsignal(number) is not signal.SIG_IGN:
                signal.signal(number, leave)
    except ValueError:  # not in the main thread: whoever runs us there handles signals
        return
    if sys.unraisablehook is sys.__unraisablehook__:
        sys.unraisablehook = _raise_again


def leave(number: int, frame: FrameType | None) -> None:
    """Handler of a signal, as `leave_on_signals` tells.

    Where numba or its compiler is at work the signal comes again a moment later: an exception
    there may leave their locks locked, and our other threads would wait for ever. A second SIGTERM
    or SIGHUP, which terminals and pools of processes send, must not end the tidying up.
    """
    global _leaving
    if _in_numba(frame):
        if number not in _put_off:
            _put_off.add(number)
            _send_again(number)
    elif number == signal.SIGINT:
        raise KeyboardInterrupt
    elif not _leaving:
        _leaving = True
        sys.exit(128 + number)


def _in_numba(frame: FrameType | None) -> bool:
    while frame is not None:
        if frame.f_globals.get("__name__", "").partition(".")[0] in ("numba", "llvmlite"):
            return True
        frame = frame.f_back
    return False


def _raise_again(lost: Any) -> None:
    """Send a signal again whose exception fell where Python can only report it, as in `__del__`.

    It would be printed as ignored, and the work would go on.
    """
    global _leaving
    if lost.exc_type is KeyboardInterrupt:
        _send_again(signal.SIGINT)
    elif lost.exc_type is SystemExit and _leaving:
        _leaving = False
        _send_again(lost.exc_value.code - 128)
    else:
        sys.__unraisablehook__(lost)


def _send_again(number: int) -> None:
    """Send the main thread, which is this one, a signal; a true one, for which it stops waiting.

    Not at once: it would fall where it fell before. The bare thread takes no lock of Python's,
    which may be taken just now.
    """
    main = _thread.get_ident()

    def send() -> None:
        time.sleep(0.001)
        _put_off.discard(number)
        if hasattr(signal, "pthread_kill"):
            signal.pthread_kill(main, number)
        else:
            _thread.interrupt_main(signal.Signals(number))

    _thread.start_new_thread(send, ())
