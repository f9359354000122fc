"""Delays that keep frames in their places: what is late is withheld, not padded."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Audio = NDArray[np.float64]


class Delay:
    """Holds the latest frames back.

    Parameters
    ----------
    frames : int, >= 0
    channels : int, > 0
    """

    def __init__(self, frames: int, channels: int) -> None:
        self.frames = frames
        self._held = np.empty((0, channels))

    def process(self, x: Audio) -> Audio:
        """Frames (n, channels) that are due after `x` has come; at first fewer than came."""
        if not self.frames:
            return x
        joined = np.concatenate((self._held, x))
        due = max(len(joined) - self.frames, 0)
        self._held = joined[due:].copy()
        return joined[:due]


class Skip:
    """Drops the first frames: those that a look ahead or a filter's delay puts before the start.

    Parameters
    ----------
    frames : int, >= 0
    """

    def __init__(self, frames: int) -> None:
        self._left = frames

    def process(self, x: Audio) -> Audio:
        """`x` (n, any) without the frames that are still to be dropped."""
        dropped = min(self._left, len(x))
        self._left -= dropped
        return x[dropped:]
