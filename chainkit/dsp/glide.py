"""A narrow bell that glides through a range, to hear where a fault stands out."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Audio = NDArray[np.float64]


def glide_frequencies(frames: int, low: float, high: float) -> Audio:
    """Frequency in Hz for each frame of a glide: as many octaves in each second.

    f(n) = low · (high / low)^(n / (frames − 1)).

    Parameters
    ----------
    frames : int
    low, high : float, Hz
        Where it starts and ends.
    """
    return low * (high / low) ** np.linspace(0.0, 1.0, frames)


def glide_bell(x: Audio, rate: int, frequencies: Audio, gain: float, q: float) -> Audio:
    """Send a signal through a bell whose frequency moves from frame to frame.

    The analogue bell of the cookbook, H(s) = (s² + s·A/Q + 1) / (s² + s/(A·Q) + 1) with
    A = 10^(gain/40), as two integrators in a loop, each by the trapezoidal rule with its
    frequency prewarped. Standing still, that is the bilinear transform, so the response is that of
    `filters.bell`. Moving, what the integrators hold stays what it is, so nothing jumps. The loop
    without delay is solved as V. Zavalishin does in "The Art of VA Filter Design", 2012, which
    calls it topology-preserving (from memory).

    Parameters
    ----------
    x : ndarray, (frames, channels)
    rate : int, Hz
    frequencies : ndarray, (frames,), Hz, below `rate` / 2
    gain : float, dB
    q : float, > 0

    Returns
    -------
    ndarray, (frames, channels)

    Raises
    ------
    ValueError
        A frequency does not lie between 0 and half the sample rate.
    """
    from chainkit.dsp.kernels_glide import gliding_bell

    if len(x) and not 0.0 < frequencies.min() <= frequencies.max() < rate / 2.0:
        raise ValueError(f"a frequency does not lie between 0 and {rate / 2.0} Hz")
    y = np.empty_like(x)
    state = np.zeros((x.shape[1], 2))
    gliding_bell(x, frequencies, float(rate), 10.0 ** (gain / 40.0), q, state, y)
    return y
