"""The process as a whole: the cores it has, and what one of our own may change for all in it.

A process that merely imports us is spared.
"""

from __future__ import annotations

import sys


def cores() -> int:
    """How many cores this process may use."""
    import os

    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def settle() -> None:
    """Suit the interpreter to many imports and to threads that work in compiled loops."""
    import atexit
    import gc
    import os
    import warnings

    # Python's warnings are for those who write programs: they ask for them, and in tests they are
    # faults.
    if not sys.warnoptions:
        warnings.showwarning = _unsaid
    # Our matrices are small. Threads of BLAS wait by spinning, and took more than they gave: a
    # third of `scout`, and three quarters where two processes share two cores.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    # Imports make many objects and no garbage: looking for it is a tenth of the start.
    gc.set_threshold(100_000)
    # A thread that comes out of a compiled loop waits this long while another runs Python. At the
    # usual 5 ms, longer than most loops take, a tenth of a render was waiting.
    sys.setswitchinterval(2e-4)
    # Nor is there any use in looking through all of them once more when the process ends.
    atexit.register(gc.freeze)


def _unsaid(*told: object, **more: object) -> None:
    """Let a warning of Python pass without a word."""


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
