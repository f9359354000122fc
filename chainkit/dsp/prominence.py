"""Prominent tones after ECMA-418-1: critical bands, prominence ratio, what counts as prominent.

The rules are for steady tones in the noise of machines. A sung harmonic is a prominent tone by
them, so they are applied here to spectra from which the pitch has been averaged out; that step is
common practice, no source.

References
----------
ECMA-418-1, "Psychoacoustic metrics for ITT equipment — Part 1 (prominent discrete tones)", 3rd
edition, 2024 (formerly ECMA-74 Annex D, ISO 7779).
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

Powers = NDArray[np.float64]

LOWEST, HIGHEST = 89.1, 11200.0  # Hz, the standard's scope
_PLAIN = 171.4  # Hz, at and below which the lower neighbour is cut off at 20 Hz
_MIDDLE = 1600.0  # Hz, between the two sets of coefficients
_CENTRED = 500.0  # Hz, up to which a critical band lies evenly about its tone


def critical_bandwidth(frequency: float) -> float:
    """Width in Hz of the critical band about `frequency`: 25 + 75·(1 + 1.4·(f/1000)²)^0.69."""
    return 25.0 + 75.0 * (1.0 + 1.4 * (frequency / 1000.0) ** 2) ** 0.69


def critical_band(frequency: float) -> tuple[float, float]:
    """Edges in Hz of the critical band about `frequency`."""
    width = critical_bandwidth(frequency)
    if frequency <= _CENTRED:
        return frequency - width / 2.0, frequency + width / 2.0
    low = (math.sqrt(width * width + 4.0 * frequency * frequency) - width) / 2.0
    return low, low + width


def neighbours(frequency: float) -> tuple[float, float]:
    """Lower edge in Hz of the critical band below that of `frequency`, upper edge of that above."""
    f = frequency
    if f > _MIDDLE:
        return 6.8 + 0.806 * f - 8.20e-6 * f * f, 3.3 + 1.215 * f + 2.16e-5 * f * f
    low = 20.0 if f <= _PLAIN else -149.5 + 1.001 * f - 6.90e-5 * f * f
    return low, 149.5 + 1.035 * f + 7.70e-5 * f * f


def tone_criterion(frequency: float) -> float:
    """Tone-to-noise ratio in dB from which a tone is prominent."""
    return 8.0 + 8.33 * max(0.0, math.log10(1000.0 / frequency))


def ratio_criterion(frequency: float) -> float:
    """Prominence ratio in dB from which a tone is prominent."""
    return 9.0 + 10.0 * max(0.0, math.log10(1000.0 / frequency))


def prominence_ratio(powers: Powers, spacing: float, frequency: float) -> float:
    """Level in dB of a critical band against the mean of its two neighbours.

    Parameters
    ----------
    powers : ndarray, (bins,)
        Power in each bin; bin k lies at k · `spacing`.
    spacing : float, Hz
    frequency : float, Hz
        Middle of the band.
    """
    low, high = critical_band(frequency)
    lowest, highest = neighbours(frequency)
    below = _between(powers, spacing, lowest, low)
    if frequency <= _PLAIN:
        below *= 100.0 / (low - lowest)
    around = (below + _between(powers, spacing, high, highest)) / 2.0
    return _decibels(_between(powers, spacing, low, high), around)


def _between(powers: Powers, spacing: float, low: float, high: float) -> float:
    """Power between two frequencies, a bin that an edge cuts going to both sides in proportion."""
    below = np.concatenate([[0.0], np.cumsum(powers)])
    edges = np.array([low, high]) / spacing + 0.5  # bin k reaches from k − ½ to k + ½
    start, stop = np.interp(edges, np.arange(len(below)), below)
    return float(stop - start)


def _decibels(power: float, against: float) -> float:
    if power <= 0.0:
        return -math.inf
    return 10.0 * math.log10(power / against) if against > 0.0 else math.inf
