"""Frames that wait: what is late is withheld, not padded, so that frames keep their places."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from chainkit.dsp import storage

Audio = NDArray[np.float64]


class Queue:
    """Frames waiting for what they need before they can leave.

    The storage is kept from block to block, since fresh memory costs more than most of what is
    done to a frame; so what the methods return is good until frames are added again.

    Parameters
    ----------
    channels : int, > 0
    """

    def __init__(self, channels: int) -> None:
        self._frames = np.empty((0, channels))
        self._begin = 0
        self._end = 0

    def __len__(self) -> int:
        return self._end - self._begin

    def room(self, count: int) -> Audio:
        """Room (count, channels) for as many more frames, to be filled."""
        waiting = self._frames[self._begin : self._end]
        if len(waiting) + count > len(self._frames):
            self._frames = storage.empty(len(waiting) + count, waiting.shape[1])
        self._frames[: len(waiting)] = waiting
        self._begin, self._end = 0, len(waiting) + count
        return self._frames[len(waiting) : self._end]

    def put(self, x: Audio) -> None:
        """Add the frames of `x` (n, channels)."""
        self.room(len(x))[:] = x

    def peek(self, begin: int, count: int) -> Audio:
        """`count` frames that wait, from number `begin` on."""
        return self._frames[self._begin + begin : self._begin + begin + count]

    def take(self, count: int) -> Audio:
        """The first `count` frames, which leave."""
        taken = self.peek(0, count)
        self._begin += count
        return taken

    def exchange(self, x: Audio, count: int) -> Audio:
        """Add the frames of `x`, take the first `count`."""
        if not len(self) and count == len(x):
            return x
        self.put(x)
        return self.take(count)


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
