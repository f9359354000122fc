"""Memory for blocks of audio: arrays that begin at a cache line, from pages that stay."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

Audio = NDArray[np.float64]

LINE = 64
"""Bytes of a cache line. Vectors that straddle two lines slow a kernel by up to a half."""


def _keep_pages() -> None:
    """Have the C library keep the memory that blocks free, for those that follow.

    glibc gives it back, and each block fetches it again, page by page: a tenth of a render's time.
    When a mapped piece larger than any before is freed, it keeps up to twice as much from then on;
    32 MB count at most (mallopt(3), M_MMAP_THRESHOLD). The piece itself is never touched, and other
    C libraries do not mind.
    """
    np.empty(8 << 20, dtype=np.uint8)


_keep_pages()


def empty(*shape: int) -> Audio:
    """Array of float64, not set to anything, that begins at a cache line."""
    size = math.prod(shape)
    room = np.empty(size + LINE // 8)
    begin = -room.ctypes.data % LINE // 8
    return room[begin : begin + size].reshape(shape)


def extended(rows: Audio, kept: int, count: int) -> Audio:
    """Array (rows, at least kept + count) that holds the first `kept` columns of `rows`."""
    if kept + count <= rows.shape[1]:
        return rows
    longer = empty(len(rows), kept + count)
    longer[:, :kept] = rows[:, :kept]
    return longer
