"""De-esser settings that follow from a voice's own sibilants.

The band starts a sixth of an octave below the sibilance edge, in the flank of the hiss. The
threshold lies so far below the level of the middle sibilant in that band, as the EQ leaves it, that
this one is turned down by what the EQ lifts it, what the compressor takes from the voice but not
from the hiss, and a little more (common practice, no source: start near 5.5 kHz, then listen).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from chainkit.dsp.sibilance_edge import STEPS
from chainkit.scout.analyse import Scouting
from chainkit.scout.proposal import Move, Values, curve

WORKING_LEVEL = -26.0  # LUFS, as the presets
RATIO = 4.0
LOWEST, HIGHEST = 2500.0, 8000.0  # Hz, of the band's edge
UNDER_EDGE = 2.0 ** (-1.0 / 6.0)
CALMER = 1.0  # dB by which the sibilants should end up lower against the voice
LEVELING = 2.5  # dB that a gentle compressor takes from the voice but not from the hiss
MOST, ROOM = 10.0, 3.0  # dB of reduction; dB of the range beyond what is aimed at


@dataclass(frozen=True)
class Deessing:
    """Settings of a de-esser.

    Attributes
    ----------
    frequency_hz : float
        Lower edge of the band.
    threshold_db : float
        For a source at the working level.
    above_db : float
        Level of the middle sibilant against the threshold.
    reduction_db, range_db : float
        Of the middle sibilant; the most.
    """

    frequency_hz: float
    threshold_db: float
    above_db: float
    reduction_db: float
    range_db: float


def deessing(
    scouting: Scouting,
    chosen: Sequence[Move] = (),
    deeper: float = 0.0,
    lower: float = 1.0,
) -> Deessing | None:
    """Settings for a voice; None for a source without sibilants.

    Parameters
    ----------
    scouting : Scouting
    chosen : sequence of Move
        The EQ ahead of the de-esser.
    deeper : float, dB
        Further reduction.
    lower : float
        Factor on the band's edge.
    """
    edge, hisses = scouting.sibilance_edge_hz, scouting.heard.hisses
    if edge is None:
        return None
    band = 100.0 * round(float(np.clip(edge * UNDER_EDGE * lower, LOWEST, HIGHEST)) / 100.0)
    if band > 0.4 * scouting.rate:
        return None
    before, after = (
        float(np.median([hiss.level_above(band, weights) for hiss in hisses]))
        for weights in (None, _weights(scouting, chosen))
    )
    lift = max(0.0, after - before - level_change(scouting, chosen))
    reduction = min(MOST, CALMER + LEVELING + lift) + deeper
    above = reduction / (1.0 - 1.0 / RATIO)
    threshold = after + trim(scouting) - above
    return Deessing(band, threshold, above, reduction, reduction + ROOM)


def trim(scouting: Scouting) -> float:
    """Gain in dB that brings the source to the working level; 0 for silence."""
    loudness = scouting.heard.measurement.integrated_lufs
    return 0.0 if loudness is None else WORKING_LEVEL - loudness


def level_change(scouting: Scouting, chosen: Sequence[Move]) -> float:
    """What the EQ does to the level of the whole, in dB."""
    powers = 10.0 ** (scouting.tilt.levels / 10.0)
    after = powers * 10.0 ** (curve(scouting, chosen) / 10.0)
    return float(10.0 * np.log10(after.sum() / powers.sum()))


def _weights(scouting: Scouting, chosen: Sequence[Move]) -> Values:
    """Factor that the EQ puts on the power of each 100 Hz."""
    middles = np.minimum(STEPS[:-1] + 50.0, 0.499 * scouting.rate)
    return np.asarray(10.0 ** (curve(scouting, chosen, middles) / 10.0))
