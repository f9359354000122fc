"""Gain that knows nothing of the signal: a constant, or moves over time."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from chainkit.dsp import kernels, storage
from chainkit.dsp.levels import to_gain

Audio = NDArray[np.float64]


class Gain:
    """A constant gain.

    Parameters
    ----------
    channels : int, > 0
    gain : float, dB
    """

    latency = 0

    def __init__(self, channels: int, gain: float) -> None:
        self.idle_db = float(gain)
        self._channels = channels
        self._factor = float(to_gain(gain))

    def process(self, x: Audio) -> tuple[Audio, Audio]:
        """The next block (frames, channels) and its gain in dB (frames, 1)."""
        return x * self._factor, np.full((len(x), 1), self.idle_db)

    def finish(self) -> tuple[Audio, Audio]:
        """Nothing is held back."""
        return _nothing(self._channels)


class Ride:
    """Level moves: straight lines in dB between points, held at both ends.

    Parameters
    ----------
    rate : int, Hz
    channels : int, > 0
    times : array_like, (n,), seconds
        Rising.
    gains : array_like, (n,), dB

    Raises
    ------
    ValueError
        If there are no points, their numbers differ, or the times do not rise.
    """

    latency = 0
    idle_db = 0.0

    def __init__(self, rate: int, channels: int, times: ArrayLike, gains: ArrayLike) -> None:
        self._times = np.array(times, dtype=np.float64, ndmin=1)
        self._gains = np.array(gains, dtype=np.float64, ndmin=1)
        if not self._times.size or self._times.shape != self._gains.shape:
            raise ValueError(
                f"{self._times.shape} times and {self._gains.shape} gains; as many of both are due"
            )
        if not np.all(np.diff(self._times) > 0):
            raise ValueError("times do not rise")
        self._rate = float(rate)
        self._channels = channels
        self._position = 0
        self._scratch = storage.empty(max(kernels.CHUNK, channels))

    def process(self, x: Audio) -> tuple[Audio, Audio]:
        """The next block (frames, channels) and its gain in dB (frames, 1)."""
        gain = np.empty((len(x), 1))
        kernels.ride(self._position, self._rate, self._times, self._gains, gain[:, 0])
        self._position += len(x)
        y = storage.empty(*x.shape)
        kernels.apply_gain(x, gain, self._scratch, y)
        return y, gain

    def finish(self) -> tuple[Audio, Audio]:
        """Nothing is held back."""
        return _nothing(self._channels)


def _nothing(channels: int) -> tuple[Audio, Audio]:
    return np.empty((0, channels)), np.empty((0, 1))
