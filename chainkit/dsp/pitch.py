"""Pitch of short windows, from the autocorrelation of their whitened spectrum."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Values = NDArray[np.float64]

LOWEST, HIGHEST = 60.0, 1000.0  # Hz
WHITENED = 400.0  # Hz, half width over which the spectrum is made level
BAND = (50.0, 4000.0)  # Hz
NEARLY = 0.85  # of the highest peak: the first peak this high is the period


def pitches(powers: Values, rate: float, size: int) -> tuple[Values, Values]:
    """Pitch and its strength.

    Parameters
    ----------
    powers : ndarray, (frames, size / 2 + 1)
        Spectra of Hann windows.
    rate : float, Hz
    size : int
        Length of the windows in frames; more than two periods of 60 Hz.

    Returns
    -------
    frequency : ndarray, (frames,), Hz
    strength : ndarray, (frames,)
        Normalised autocorrelation at the period, 1 for a periodic signal.
    """
    correlation = _correlation(powers, rate, size)
    first, last = int(rate / HIGHEST), int(rate / LOWEST) + 2
    inner = correlation[:, first:last]
    peak = inner >= correlation[:, first - 1 : last - 1]
    peak &= inner >= correlation[:, first + 1 : last + 1]
    heights = np.where(peak, inner, -1.0)
    lag = np.argmax(heights >= NEARLY * heights.max(1)[:, None], axis=1) + first
    rows = np.arange(len(lag))
    before, top, after = (correlation[rows, lag + step] for step in (-1, 0, 1))
    shift = 0.5 * (before - after) / (before - 2.0 * top + after - 1e-12)
    return rate / (lag + np.clip(shift, -1.0, 1.0)), heights[rows, lag - first]


def _correlation(powers: Values, rate: float, size: int) -> Values:
    """Autocorrelation of the whitened frames, freed of that of the window."""
    from scipy import fft

    frequencies = np.arange(powers.shape[1]) * rate / size
    white = powers / (_smooth(powers, round(WHITENED * size / rate)) + 1e-30)
    white[:, (frequencies < BAND[0]) | (frequencies > BAND[1])] = 0.0
    lags = int(rate / LOWEST) + 4
    correlation = fft.irfft(white, axis=1)[:, :lags]
    window = fft.irfft(np.abs(fft.rfft(np.hanning(size + 1)[:size])) ** 2)[:lags]
    return np.asarray(correlation / (correlation[:, :1] + 1e-30) / (window / window[0]))


def _smooth(powers: Values, half: int) -> Values:
    """Mean over `half` bins to either side."""
    padded = np.pad(powers, ((0, 0), (half + 1, half)), mode="edge")
    sums = np.cumsum(padded, axis=1)
    return (sums[:, 2 * half + 1 :] - sums[:, : -2 * half - 1]) / (2 * half + 1)
