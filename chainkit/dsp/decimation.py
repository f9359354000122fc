"""Lower sample rates, where nothing is asked of what lies high."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from chainkit.dsp.cascade import Cascade

Values = NDArray[np.float64]

ZEROS, BETA = 10, 5.0  # zeros of the sinc to either side, and the shape of its window


class Decimator:
    """Filters a stream and keeps every frame of so many; blocks do not matter.

    Parameters
    ----------
    sections : ndarray, (sections, 6)
        The filter, which has to take away what would fold.
    rate : int, Hz
    least : int, Hz
        The rate comes down to its lowest whole fraction that is not below.
    channels : int

    Attributes
    ----------
    rate : float, Hz
        Of what is kept.
    """

    def __init__(self, sections: Values, rate: int, least: int, channels: int) -> None:
        self._step = max(1, rate // least)
        self.rate = rate / self._step
        self._filter = Cascade(sections, channels)
        self._phase = 0

    def process(self, x: Values) -> Values:
        """What is kept of the next block (frames, channels)."""
        filtered = self._filter.process(x)
        kept = filtered[self._phase :: self._step]
        self._phase += self._step * len(kept) - len(filtered)
        return kept


def decimated(x: Values, rate: float, least: float) -> tuple[Values, float]:
    """`x` at the lowest whole fraction of its rate that is not below `least`, and that rate.

    A sinc under a Kaiser window keeps what would fold away (J. F. Kaiser, in Kuo and Kaiser, System
    Analysis by Digital Computer, 1966). `scipy.signal.resample_poly` gives the same to rounding,
    but takes half a second to load.

    Parameters
    ----------
    x : ndarray, (frames,)
    rate, least : float, Hz
        A rate below `least` stays as it is.
    """
    factor = int(rate / least)
    if factor <= 1:
        return x, float(rate)
    at = np.arange(-ZEROS * factor, ZEROS * factor + 1)
    taps = np.sinc(at / factor) * np.kaiser(len(at), BETA)
    return np.convolve(x, taps / taps.sum(), "same")[::factor], rate / factor
