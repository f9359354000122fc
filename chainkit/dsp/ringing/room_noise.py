"""What a room's own noise shows below the lowest pitch, where no voice ever sounds.

In the pauses of a recording, once the voice has rung out, a room or a microphone is heard through
the noise that is left. That noise may have peaks of its own, so it tells nothing where the voice
itself does, and what it shows is a hint only. Lines of hum are left out: their power does not vary
as that of noise does.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from chainkit.dsp.ringing import log_cells
from chainkit.dsp.ringing.excitation import (
    LEAST_CELLS,
    NO_MOUTH,
    NOISE_LASTING,
    Track,
    away,
    middles,
)
from chainkit.dsp.ringing.observation import Kind, Observation, Spectrum, level_mean

Values = NDArray[np.float64]

WINDOW = 0.25  # seconds
SETTLING = 40.0  # periods after the last loud sound: a bell of Q 10 and 10 dB has died by 60 dB
LEAST_WINDOWS = 10
FAINTEST = 1e-9  # of the power of the loudest twentieth: what is fainter is no room's noise
STEADY = 0.85  # geometric over arithmetic mean of the power: noise has 0.56, a line of hum 1

PAUSE = Kind(((1.0, 0.4),), Spectrum(NOISE_LASTING, NO_MOUTH, 1.44 / WINDOW), 1.0)


def pauses(x: Values, rate: float, followed: Track, cells: Values) -> list[Observation]:
    """One observation of all pauses, or none.

    Parameters
    ----------
    x : ndarray, (frames,)
    rate : float, Hz
    followed : Track
    cells : ndarray, (cells,), Hz
    """
    if not followed.voiced.any():
        return []
    low = cells[cells < followed.lowest]
    seen = _seen(x, rate, followed, low)
    there = np.isfinite(seen).sum(0) >= LEAST_WINDOWS
    if there.sum() <= LEAST_CELLS:
        return []
    seen[:, ~there] = np.nan
    at, level, count = level_mean(seen)
    arithmetic = np.nanmean(seen[:, at], axis=0)
    geometric = np.exp(np.nanmean(np.log(seen[:, at] + 1e-30), axis=0))
    noise = geometric < STEADY * arithmetic
    variance = np.asarray(5.6**2 / (0.4 * count) + 0.1**2, dtype=np.float64)
    return [Observation(PAUSE, 0.0, at[noise], level[noise], variance[noise])]


def _seen(x: Values, rate: float, followed: Track, low: Values) -> Values:
    """Power density of the quiet windows, (windows, cells); NaN where something may still ring."""
    size = log_cells.window_size(WINDOW, rate)
    powers = log_cells.power_spectra(x, size, size // 4)
    since, until = away(followed, followed.loud, middles(len(powers), size, size // 4, rate))
    quiet = since - WINDOW / 2.0
    loudest = np.percentile(followed.powers.mean(1), 95)
    chosen = (quiet > 0.0) & (until > WINDOW / 2.0) & (powers.mean(1) > FAINTEST * loudest)
    seen = log_cells.density(powers[chosen], low, rate / size)
    seen[low < SETTLING / quiet[chosen, None]] = np.nan
    return seen
