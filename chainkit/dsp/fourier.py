"""Power spectra of many real windows at once, in single precision."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from chainkit.dsp import kernels_fourier as kernels

LANES = kernels.LANES
_RADICES = (4, 5, 3, 2)


class PowerSpectra:
    """Squared magnitudes of the Fourier transforms of `LANES` windows.

    The even and the odd samples of a window are the real and imaginary parts of a transform of
    half its length, which goes by factors of 4, 5, 3 and 2 at its own place (Cooley and Tukey,
    "An algorithm for the machine calculation of complex Fourier series", Math. Comp. 19, 1965).

    Parameters
    ----------
    window : ndarray, (length,)
        Its length is twice a `fast_length`.
    """

    def __init__(self, window: NDArray[np.float64]) -> None:
        half = len(window) // 2
        self._window = window.astype(np.float32)
        radices = _factors(half)
        self._radices = np.array(radices)
        self._factors = _twiddles(half, radices)
        self._order = _order(half, radices)
        self._turns = _circle(np.arange(half // 2 + 1) / (2 * half))
        self._work = np.empty(half * kernels.ROW, dtype=np.float32)

    def add(
        self, signal: NDArray[np.float64], starts: NDArray[np.int64], power: NDArray[np.float32]
    ) -> None:
        """Add the powers of the windows of `signal` that begin at `starts`.

        Parameters
        ----------
        signal : ndarray, (frames,)
        starts : int64 ndarray, (`LANES`,)
        power : float32 ndarray, (length // 2 + 1, `LANES`), C-contiguous
            A row a frequency, from 0 to half the sample rate; added to.
        """
        kernels.load(signal, starts, self._window, self._work)
        kernels.transform(self._work, self._radices, self._factors)
        kernels.add_powers(self._work, self._order, self._turns, power.reshape(-1))


def fast_length(least: int) -> int:
    """The least number from `least` on that has no prime factor above 5.

    Parameters
    ----------
    least : int > 0
    """
    while np.prod(_factors(least)) != least:
        least += 1
    return least


def _factors(length: int) -> list[int]:
    """Radices, as great as possible, that divide `length` one after the other."""
    found = []
    for radix in _RADICES:
        while length % radix == 0:
            found.append(radix)
            length //= radix
    return found


def _circle(turns: NDArray[np.float64]) -> NDArray[np.float32]:
    """Cosine and sine of −2π · `turns`, along a new last axis."""
    angle = -2.0 * np.pi * turns
    return np.stack([np.cos(angle), np.sin(angle)], axis=-1).astype(np.float32)


def _twiddles(length: int, radices: list[int]) -> NDArray[np.float32]:
    parts = []
    for radix in radices:
        products = np.outer(np.arange(length // radix), np.arange(1, radix))
        parts.append(_circle(products / length).reshape(-1))
        length //= radix
    return np.concatenate(parts)


def _order(length: int, radices: list[int]) -> NDArray[np.int64]:
    """Row in which the transform leaves each frequency."""
    row, left = np.zeros(length, dtype=np.int64), np.arange(length)
    for radix in radices:
        length //= radix
        row += left % radix * length
        left = left // radix
    return row
