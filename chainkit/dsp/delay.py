"""Frames that wait: what is late is withheld, not padded, so that frames keep their places."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Audio = NDArray[np.float64]


class Queue:
    """Frames waiting for what they need before they can leave.

    Parameters
    ----------
    channels : int, > 0
    """

    def __init__(self, channels: int) -> None:
        self._waiting = np.empty((0, channels))

    def exchange(self, x: Audio, count: int) -> Audio:
        """Add the frames of `x` (n, channels), take the first `count` out."""
        if not len(self._waiting) and count == len(x):
            return x
        joined = np.concatenate((self._waiting, x))
        self._waiting = joined[count:].copy()
        return joined[:count]


class Skip:
    """Drops the first values: those that a look ahead puts before the first frame.

    Parameters
    ----------
    frames : int, >= 0
    """

    def __init__(self, frames: int) -> None:
        self._left = frames

    def process(self, x: Audio) -> Audio:
        """`x` (n, any) without the values that are still to be dropped."""
        dropped = min(self._left, len(x))
        self._left -= dropped
        return x[dropped:]
