"""Memory that suits the vector units: arrays that begin at a cache line."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

Audio = NDArray[np.float64]

LINE = 64
"""Bytes of a cache line. Vectors that straddle two lines slow a kernel by up to a half."""


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
