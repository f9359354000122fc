"""Lower sample rates, where nothing is asked of what lies high."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Values = NDArray[np.float64]


def decimated(x: Values, rate: float, least: float) -> tuple[Values, float]:
    """`x` at the lowest whole fraction of its rate that is not below `least`, and that rate.

    Parameters
    ----------
    x : ndarray, (frames,)
    rate, least : float, Hz
        A rate below `least` stays as it is.
    """
    factor = int(rate / least)
    if factor <= 1:
        return x, float(rate)
    from scipy import signal

    return np.asarray(signal.resample_poly(x, 1, factor)), rate / factor
