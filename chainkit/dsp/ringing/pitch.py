"""Pitch of short windows, from the autocorrelation of their whitened spectrum.

A peak of one window alone is often at twice the period, or at that of a strong formant. So the
peaks of all windows are taken together: the path through them that leaps least and is highest
(dynamic programming: A. Viterbi, IEEE Transactions on Information Theory 13, 1967).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Values = NDArray[np.float64]
Indices = NDArray[np.int64]
Mask = NDArray[np.bool_]

LOWEST, HIGHEST = 60.0, 1000.0  # Hz
WHITENED = 400.0  # Hz, half width over which the spectrum is made level
BAND = (50.0, 4000.0)  # Hz
LONGER = 0.02  # of correlation that a period twice as long must have more
LEAP = 1.5  # of correlation that a leap of an octave costs
STEPS = 24  # in an octave, in which the path is sought


def pitches(powers: Values, loud: Mask, rate: float, size: int) -> tuple[Values, Values]:
    """Pitch and its strength.

    Parameters
    ----------
    powers : ndarray, (frames, size / 2 + 1)
        Spectra of Hann windows.
    loud : ndarray of bool, (frames,)
        Where there may be a pitch.
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
    step = np.round(STEPS * np.log2(np.arange(first, last) / first)).astype(int)
    lags, heights = _highest(np.where(peak & loud[:, None], inner, 0.0), step)
    octaves = np.unique(step) / STEPS
    path = _smoothest(heights - LONGER * octaves, octaves)
    rows = np.arange(len(path))
    lag = lags[rows, path] + first
    before, top, after = (correlation[rows, lag + side] for side in (-1, 0, 1))
    shift = 0.5 * (before - after) / (before - 2.0 * top + after - 1e-12)
    return rate / (lag + np.clip(shift, -1.0, 1.0)), heights[rows, path]


def _highest(values: Values, step: Indices) -> tuple[Indices, Values]:
    """Place and height of the highest value in each step, both (frames, steps)."""
    starts = np.flatnonzero(np.diff(step, prepend=-1))
    found = [values[:, low:high] for low, high in zip(starts, [*starts[1:], None], strict=True)]
    lags = np.stack([part.argmax(1) for part in found], 1) + starts
    return lags, np.take_along_axis(values, lags, 1)


def _smoothest(heights: Values, octaves: Values) -> Indices:
    """The step of each frame on the path that is highest and leaps least, (frames,)."""
    steps, cost = np.arange(len(octaves)), LEAP * np.abs(octaves[:, None] - octaves)
    total, came = np.zeros(len(steps)), np.zeros(heights.shape, dtype=np.int64)
    for frame, height in enumerate(heights):
        reached = total - cost
        came[frame] = reached.argmax(1)
        total = reached[steps, came[frame]] + height
    path = np.zeros(len(heights), dtype=np.int64)
    at = int(total.argmax())
    for frame in range(len(heights) - 1, -1, -1):
        path[frame] = at
        at = int(came[frame, at])
    return path


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
