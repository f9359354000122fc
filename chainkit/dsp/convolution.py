"""Linear-phase filter by fast convolution, with frames that wait from block to block."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from chainkit.dsp import kernels, kernels_convolution, storage
from chainkit.dsp.delay import Queue

Audio = NDArray[np.float64]


class LinearPhase:
    """A filter with symmetric taps, its delay removed.

    Overlap-save, over groups of blocks that are anchored at the first frame: what a frame becomes
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
        self.reach = len(taps) // 2
        size = 1024
        while size < 4 * len(taps):
            size *= 4
        self._plan = _plan(taps, size)
        self._stride = 2 * kernels_convolution.PAIRS * (size - 2 * self.reach)
        self._frames = np.zeros((channels, self.reach))
        self._known = self.reach
        self.latency = self.reach + self._stride - 1

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
        due = max(known - 2 * self.reach, 0) // self._stride * self._stride
        y = queue.room(due)
        kernels.take_channels(x, self._known, self._frames)
        kernels_convolution.fast_convolution(self._frames, self.reach, *self._plan, y)
        self._known = known - due
        self._frames[:, : self._known] = self._frames[:, due:known]
        return y


def _plan(taps: Audio, size: int) -> tuple[Audio, Audio, Audio]:
    """Spectrum, factors and storage that `kernels_convolution.fast_convolution` takes."""
    spectrum = _zero_phase_spectrum(taps, size)[_reversed_digits(size)] / size
    factors, length = [], size
    while length > 1:
        factors.append(_factors(length))
        length //= 4
    return spectrum, np.concatenate(factors), storage.empty(size * kernels_convolution.ROW)


def _zero_phase_spectrum(taps: Audio, size: int) -> Audio:
    """Spectrum, which is real, of symmetric taps about frame 0."""
    reach = len(taps) // 2
    around = np.zeros(size)
    around[: reach + 1] = taps[reach:]
    around[size - reach :] = taps[:reach]
    return np.fft.fft(around).real


def _factors(length: int) -> Audio:
    """Cosine and sine of −2π·p·j / length for p below a quarter of it and j from 1 to 3."""
    angles = -2.0 * np.pi * np.outer(np.arange(length // 4), np.arange(1, 4)) / length
    return np.stack((np.cos(angles), np.sin(angles)), axis=-1).ravel()


def _reversed_digits(count: int) -> NDArray[np.int64]:
    """0 to count − 1, a power of four, each with its digits to base four in reversed order."""
    order = np.zeros(1, dtype=np.int64)
    while len(order) < count:
        order = np.concatenate([4 * order + digit for digit in range(4)])
    return order
