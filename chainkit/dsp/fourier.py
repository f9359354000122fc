"""Power spectra of many real windows at once, in single precision."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from chainkit.dsp import kernels_fourier as kernels

LANES = kernels.LANES
_RADICES = (4, 5, 3, 2)


class BandPowers:
    """Power in bands of many windows, `LANES` of them at a time.

    The even and the odd samples of a window are the real and imaginary parts of a transform of
    half its length, which goes by factors of 4, 5, 3 and 2 at its own place (Cooley and Tukey,
    "An algorithm for the machine calculation of complex Fourier series", Math. Comp. 19, 1965).

    Parameters
    ----------
    window : ndarray, (length,)
        Its length is twice a `fast_length`.
    edges : ndarray, (bands + 1,)
        Of the bands, in bins: bin k reaches from k − ½ to k + ½. A bin that an edge cuts goes to
        both sides in proportion; edges above the last bin are moved to its end.
    """

    def __init__(self, window: NDArray[np.float64], edges: NDArray[np.float64]) -> None:
        half = len(window) // 2
        radices = _factors(half)
        self._window = window.astype(np.float32)
        self._transforming = (
            np.empty(half * kernels.ROW, dtype=np.float32),
            np.array(radices),
            _twiddles(half, radices),
            _order(half, radices),
            _circle(np.arange(half // 2 + 1) / (2 * half)),
        )
        edges = np.minimum(edges + 0.5, half + 1.0)
        self._bins = np.minimum(edges.astype(np.int64), half)
        self._parts = (edges - self._bins).astype(np.float32)
        self._power = np.empty((half + 1) * LANES, dtype=np.float32)
        self._total = np.empty(LANES, dtype=np.float32)

    def of(self, signal: NDArray[np.float32], starts: NDArray[np.int64]) -> NDArray[np.float32]:
        """Squared magnitudes, averaged over the channels and summed over each band.

        Parameters
        ----------
        signal : float32 ndarray, (channels, frames)
        starts : int64 ndarray, (a multiple of `LANES`,)
            Where the windows begin.

        Returns
        -------
        ndarray, (len(starts), bands)
        """
        out = np.empty((len(starts), len(self._bins) - 1), dtype=np.float32)
        scale = np.float32(1.0 / len(signal))
        bands = (self._bins, self._parts, scale, self._power, self._total)
        kernels.band_powers(signal, starts, self._window, self._transforming, *bands, out)
        return out


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
