"""Brings candidates to one loudness, and tells how far they are from one another."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import NDArray

from chainkit.dsp.loudness import LoudnessMeter

Audio = NDArray[np.float64]

CEILING_DBTP = -1.0
"""The greatest true peak that EBU R 128 allows; from memory."""
MATCHED_LU = 0.05
"""How far apart two candidates' loudness may be."""
TELLING_DB = 1.0
"""Residuals further apart are those of different candidates; equal ones differ by rounding."""
_LOWERINGS = 8  # one does, but for what the search of a gain leaves open


def matching_gains(
    meters: Sequence[LoudnessMeter], peaks: Sequence[float | None], target: float | None
) -> list[float]:
    """Gains in dB to one loudness, lower than asked where a true peak would pass −1 dBTP.

    A gain moves quiet blocks across the absolute gate of the loudness, so each is sought on the
    blocks themselves, anew when all have to be lowered.

    Parameters
    ----------
    meters : sequence of LoudnessMeter
        Of each candidate before its gain.
    peaks : sequence of float or None, dBTP
    target : float or None, LUFS

    Returns
    -------
    list of float
        For a candidate without loudness, by how much the others were lowered.
    """
    lowering = 0.0
    for _ in range(_LOWERINGS):
        gains = [_gain(meter, target, lowering) for meter in meters]
        reached = [peak + gain for peak, gain in zip(peaks, gains, strict=True) if peak is not None]
        over = max(reached, default=CEILING_DBTP) - CEILING_DBTP
        if over <= 0.0:
            break
        lowering -= over
    return gains


def _gain(meter: LoudnessMeter, target: float | None, lowering: float) -> float:
    gain = None if target is None else meter.trim_to(target + lowering)
    return lowering if gain is None else gain


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
