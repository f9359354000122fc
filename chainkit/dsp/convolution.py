"""Linear-phase filter by fast convolution, with frames that wait from block to block."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from chainkit.dsp import kernels, storage
from chainkit.dsp.delay import Queue

Audio = NDArray[np.float64]


class LinearPhase:
    """A filter with symmetric taps, its delay removed.

    Overlap-save, over pairs of blocks that are anchored at the first frame: what a frame becomes
    does not depend on how the signal was cut, bit for bit. At most `latency` frames are withheld.

    Parameters
    ----------
    taps : array_like, (odd,)
        Symmetric about the middle one.
    channels : int, > 0

    References
    ----------
    T. G. Stockham, "High-speed convolution and correlation", AFIPS Spring Joint Computer
    Conference, 1966.
    """

    def __init__(self, taps: ArrayLike, channels: int) -> None:
        taps = np.asarray(taps, dtype=np.float64)
        self._reach = len(taps) // 2
        self._plan = _plan(taps, 2 ** math.ceil(math.log2(max(4 * len(taps), 1024))))
        size = self._plan[0].size
        self._stride = 2 * (size - 2 * self._reach)
        self._frames = np.zeros((channels, self._reach))
        self._known = self._reach
        self.latency = self._reach + self._stride - 1

    def process(self, x: Audio, queue: Queue) -> Audio:
        """Add what is due after the next block to `queue`.

        Parameters
        ----------
        x : ndarray, (frames, channels)
        queue : Queue

        Returns
        -------
        ndarray, (n, channels)
            What was added.
        """
        self._frames = storage.extended(self._frames, self._known, len(x))
        known = self._known + len(x)
        due = max(known - 2 * self._reach, 0) // self._stride * self._stride
        y = queue.room(due)
        kernels.take_channels(x, self._known, self._frames)
        kernels.fast_convolution(self._frames, self._reach, *self._plan, y)
        self._known = known - due
        self._frames[:, : self._known] = self._frames[:, due:known]
        return y


def _plan(taps: Audio, size: int) -> tuple[Audio, ...]:
    """Spectrum, angles and storage that `kernels.fast_convolution` takes."""
    rows = 2 ** (int(math.log2(size)) // 2)
    shape = rows, size // rows
    down, across = (_reversed_bits(count) for count in shape)
    angles = -2 * np.pi * np.outer(down, np.arange(shape[1])) / size
    spectrum = _zero_phase_spectrum(taps, size)[down + rows * across[:, None]] / size
    turns = [_circle(count) for count in shape]
    work = [storage.empty(*shape) for shape in (shape, shape, shape[::-1], shape[::-1])]
    return (spectrum.ravel(), *turns, np.cos(angles), np.sin(angles), *work)


def _zero_phase_spectrum(taps: Audio, size: int) -> Audio:
    """Spectrum, which is real, of symmetric taps about frame 0."""
    reach = len(taps) // 2
    around = np.zeros(size)
    around[: reach + 1] = taps[reach:]
    around[size - reach :] = taps[:reach]
    return np.fft.fft(around).real


def _circle(count: int) -> Audio:
    """Cosine and sine of −2π j / count, for half a turn, (count / 2, 2)."""
    angles = -2 * np.pi * np.arange(count // 2) / count
    return np.stack((np.cos(angles), np.sin(angles)), axis=1)


def _reversed_bits(count: int) -> NDArray[np.int64]:
    """0 to count − 1, a power of two, each with its bits in reversed order."""
    order = np.zeros(1, dtype=np.int64)
    while len(order) < count:
        order = np.concatenate((2 * order, 2 * order + 1))
    return order
