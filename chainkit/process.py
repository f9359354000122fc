"""What a process of our own may change for all that runs in it; one that imports us is spared."""

from __future__ import annotations

import sys
from typing import Any


def load_numba() -> None:
    """Load numba without what no loop of ours needs, which costs a fifth of the start.

    That is scipy's linear algebra, for products of matrices, and cffi, for calls into libraries.
    A module that is None counts as missing.
    """
    spared = {"scipy.linalg.cython_blas", "cffi"} - sys.modules.keys()
    sys.modules |= dict.fromkeys(spared)  # type: ignore[arg-type]
    try:
        import numba.core.typing.cffi_utils  # where numba looks for them
        import numba.np.arraymath  # noqa: F401
    finally:
        for name in spared:
            del sys.modules[name]


def keep_interrupts() -> None:
    """Raise a Ctrl-C again that fell where Python can only report it, as the compiler's callbacks.

    It would be printed as ignored, and the work would go on.
    """
    if sys.unraisablehook is sys.__unraisablehook__:
        sys.unraisablehook = _raise_again


def _raise_again(lost: Any) -> None:
    if lost.exc_type is not KeyboardInterrupt:
        sys.__unraisablehook__(lost)
        return
    import _thread
    import threading

    # Not at once: it would fall into this very function.
    threading.Timer(0.01, _thread.interrupt_main).start()
