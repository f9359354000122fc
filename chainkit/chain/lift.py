"""How far a chain can raise a sound: what somebody should know before listening."""

from __future__ import annotations

from typing import NamedTuple

from chainkit.chain.model import Chain
from chainkit.stages.eq import BOOST, Eq

SENSIBLE = BOOST.high  # dB, as much as one band may boost; common practice, no source
LOWEST = 10.0  # Hz
POINTS = 1000
HEARD = 1.0  # dB by which the EQ singles a place out; common practice, no source


class Lift(NamedTuple):
    """The most by which a chain raises anything.

    Parameters
    ----------
    decibels : float
    frequency : float or None, Hz
        Where; None where it raises all alike.
    """

    decibels: float
    frequency: float | None


def greatest_lift(chain: Chain, rate: int) -> Lift:
    """The most by which `chain` can raise anything, while nothing in it turns down.

    The trim to the working level and a makeup that is matched are not known, and count 0 dB.

    Parameters
    ----------
    chain : Chain
        Suits the rate.
    rate : int, Hz
    """
    alike = sum(stage.lift for stage in chain.active)
    bands = [band for stage in chain.active if isinstance(stage, Eq) for band in stage.bands]
    if not bands:
        return Lift(alike, None)
    import numpy as np

    from chainkit.dsp import filters
    from chainkit.dsp.levels import to_db

    sections = np.concatenate([band.sections(rate) for band in bands])
    grid = np.geomspace(LOWEST, 0.499 * rate, POINTS)
    middles = [band.frequency for band in bands]
    # A sharp shelf rises where its poles are, away from its frequency and between the grid.
    at = np.concatenate([grid, middles, filters.pole_frequencies(sections, rate)])
    curve = to_db(np.abs(filters.response(sections, at, rate)))
    top = int(curve.argmax())
    where = float(at[top]) if curve[top] >= HEARD else None
    return Lift(alike + float(curve[top]), where)
