"""Decibels and linear gain, and from which level on something sounds."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

SILENT = -200.0  # dBFS: what a filter leaves of digital silence lies below
SOUNDING = 0.01  # of the mean power: 20 dB below it; common practice, no source


def to_db(gain: ArrayLike) -> NDArray[np.float64]:
    """Level in dB of a linear magnitude, 20·log10|gain|; −inf for zero."""
    with np.errstate(divide="ignore"):
        return 20.0 * np.log10(np.abs(np.asarray(gain, dtype=np.float64)))


def to_gain(level: ArrayLike) -> NDArray[np.float64]:
    """Linear gain of a level in dB, 10^(level / 20)."""
    return 10.0 ** (np.asarray(level, dtype=np.float64) / 20.0)


def power_to_db(power: ArrayLike) -> NDArray[np.float64]:
    """Level in dB of a mean square, 10·log10(power); −inf for zero."""
    with np.errstate(divide="ignore"):
        return 10.0 * np.log10(np.asarray(power, dtype=np.float64))


def sounding(powers: NDArray[np.floating[Any]]) -> NDArray[np.bool_]:
    """Which windows sound: those not more than 20 dB below the mean power of all.

    Parameters
    ----------
    powers : ndarray, (windows,)

    Returns
    -------
    ndarray of bool, (windows,)
    """
    return powers > SOUNDING * powers.mean() if len(powers) else np.zeros(0, dtype=bool)


def difference(level: float | None, other: float | None) -> float | None:
    """`level` − `other`, in dB; None where one of them does not exist."""
    return None if level is None or other is None else level - other
