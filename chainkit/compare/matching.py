"""Brings candidates to one loudness, and tells how far they are from one another."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import NDArray

Audio = NDArray[np.float64]

CEILING_DBTP = -1.0
"""The greatest true peak that EBU R 128 allows; from memory."""
TELLING_DB = 1.0
"""Residuals further apart are those of different candidates; equal ones differ by rounding."""


def matching_gains(
    loudness: Sequence[float | None], peaks: Sequence[float | None], target: float | None
) -> list[float]:
    """Gains in dB to one loudness, lowered together where a true peak would pass −1 dBTP.

    Parameters
    ----------
    loudness : sequence of float or None, LUFS
    peaks : sequence of float or None, dBTP
    target : float or None, LUFS

    Returns
    -------
    list of float
        0 dB, before the common lowering, for a candidate without loudness.
    """
    gains = [0.0 if target is None or level is None else target - level for level in loudness]
    reached = [peak + gain for peak, gain in zip(peaks, gains, strict=True) if peak is not None]
    lowering = min(0.0, CEILING_DBTP - max(reached, default=CEILING_DBTP))
    return [gain + lowering for gain in gains]


def residual(first: Iterable[Audio], other: Iterable[Audio]) -> float | None:
    """Power of the difference in dB against the power of the first.

    Minus infinity where they are equal sample for sample, None where only the first is silent.
    """
    remainder = power = 0.0
    for a, b in zip(first, other, strict=True):
        remainder += float(np.sum((a - b) ** 2))
        power += float(np.sum(a**2))
    if remainder == 0.0:
        return -math.inf
    return 10.0 * math.log10(remainder / power) if power else None


def apart(residual_db: float | None, other_db: float | None) -> bool:
    """Whether two residuals against the first candidate tell two candidates from one another."""
    if residual_db is None or other_db is None:
        return residual_db is not other_db
    return abs(residual_db - other_db) > TELLING_DB
