"""De-esser settings that follow from a voice's own sibilants.

The band starts a sixth of an octave below the sibilance edge, in the flank of the hiss. The
threshold lies so far below the level of the middle sibilant in that band, as the EQ leaves it, that
this one is turned down by what it needs, by what the EQ lifts it, and by what the compressor takes
from the voice but not from the hiss (common practice, no source: start near 5.5 kHz, then listen).

A voice that is bright in its vowels, too, is as loud there as in its sibilants, but has less of its
whole power in the band: for it the band is sensed by its share of the voice, or set higher.
Attempts are made one after the other, see `chainkit.scout.trial`.

What it needs grows with its level against the voice. /s/ lies 10 dB below the vowel (Jongman,
Wayland and Wong 2000, see `chainkit.dsp.sibilance`); from there the need is 2 dB, half a decibel
more or less for each decibel of level, from 1 to 6 dB (common practice, no source). Hiss 20 dB
below the voice needs no de-esser, nor does what a roll-off below 4 kHz has left of it. A demo voice
whose sibilants lie at -12.7, -6.6 and -0.7 dB gets a range of 7, 7 and 9 dB, and its sibilance
index falls by 1.1, 1.5 and 3.8 dB.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from chainkit.dsp.sibilance_edge import STEPS
from chainkit.dsp.spectrum import nominal
from chainkit.scout.analyse import Scouting
from chainkit.scout.proposal import Move, Values, curve, hertz

WORKING_LEVEL = -26.0  # LUFS, as the presets
RATIO = 4.0
LOWEST, HIGHEST = 2500.0, 8000.0  # Hz, of the band's edge
UNDER_EDGE = 2.0 ** (-1.0 / 6.0)
USUAL, USUAL_NEED = -10.0, 2.0  # dB against the voice; dB by which it should come down there
FOR_EACH, LEAST_NEED, MOST_NEED = 0.5, 1.0, 6.0  # dB for each dB louder; dB
CALM = -20.0  # dB against the voice, from which there is nothing to calm
CUT_OFF = 4000.0  # Hz, below which a roll-off leaves nothing of /s/ to calm
LEVELING = 1.0  # dB that a gentle compressor takes from the voice but not from the hiss
MOST, ROOM = 10.0, 2.0  # dB of reduction; dB of the range beyond what is aimed at


@dataclass(frozen=True)
class Attempt:
    """How the settings that follow from the sibilants are changed.

    Attributes
    ----------
    sense : {"band", "share"}
    deeper : float, dB
        Further reduction.
    edge : float
        Factor on the band's lower edge.
    """

    sense: str = "band"
    deeper: float = 0.0
    edge: float = 1.0


ATTEMPTS = (
    Attempt(),
    Attempt(edge=1.2),
    Attempt("share"),
    Attempt(deeper=1.0, edge=0.9),
    Attempt("share", deeper=1.0, edge=0.9),
    Attempt("share", deeper=2.0, edge=0.8),
    Attempt(deeper=2.0, edge=0.8),
    Attempt(deeper=3.0, edge=0.7),
    Attempt(deeper=4.0, edge=0.6),
)
"""What is tried, the mildest first."""


@dataclass(frozen=True)
class Deessing:
    """Settings of a de-esser.

    Attributes
    ----------
    sense : {"band", "share"}
    frequency_hz : float
        Lower edge of the band.
    threshold_db : float
        For a source at the working level, or against the whole voice where its share is sensed.
    above_db : float
        Level of the middle sibilant against the threshold.
    reduction_db, range_db : float
        Of the middle sibilant, as far as its mean level tells; the most.
    """

    sense: str
    frequency_hz: float
    threshold_db: float
    above_db: float
    reduction_db: float
    range_db: float


def deessing(
    scouting: Scouting,
    chosen: Sequence[Move] = (),
    attempt: Attempt = ATTEMPTS[0],
) -> Deessing | None:
    """Settings for a voice; None for a source without sibilants that need it.

    Parameters
    ----------
    scouting : Scouting
    chosen : sequence of Move
        The EQ ahead of the de-esser.
    attempt : Attempt
    """
    edge, hisses = scouting.sibilance_edge_hz, scouting.heard.hisses
    if edge is None or unneeded(scouting):
        return None
    band = 100.0 * round(float(np.clip(edge * UNDER_EDGE * attempt.edge, LOWEST, HIGHEST)) / 100.0)
    if band > 0.4 * scouting.rate:
        return None
    weights = _weights(scouting, chosen)
    before, after = (
        float(np.median([hiss.level_above(band, factors) for hiss in hisses]))
        for factors in (None, weights)
    )
    lift = max(0.0, after - before - level_change(scouting, chosen))
    reduction = min(MOST, need(scouting) + LEVELING + lift) + attempt.deeper
    above = reduction / (1.0 - 1.0 / RATIO)
    level = after + trim(scouting)
    if attempt.sense == "share":
        level = float(np.median([hiss.share_above(band, weights) for hiss in hisses]))
    return Deessing(attempt.sense, band, level - above, above, reduction, reduction + ROOM)


def need(scouting: Scouting) -> float:
    """How far the sibilants of a voice should come down against it, in dB."""
    level = scouting.heard.measurement.sibilants_median_db or 0.0
    wanted = USUAL_NEED + FOR_EACH * (level - USUAL)
    return float(np.clip(wanted, LEAST_NEED, MOST_NEED))


def unneeded(scouting: Scouting) -> str | None:
    """Why a voice with sibilants needs no de-esser; None where it does or has none."""
    level = scouting.heard.measurement.sibilants_median_db
    if scouting.sibilance_edge_hz is None or level is None:
        return None
    if level <= CALM:
        return f"it lies {-level:.0f} dB below the voice, so that there is nothing to calm"
    if scouting.tilt.highest < CUT_OFF:
        rolling = hertz(nominal(scouting.tilt.highest))
        return f"the source rolls off from {rolling}, so that there is nothing to calm"
    return None


def trim(scouting: Scouting) -> float:
    """Gain in dB that a render brings the source to the working level with; 0 for silence."""
    return scouting.heard.loudness.trim_loudest_to(WORKING_LEVEL) or 0.0


def level_change(scouting: Scouting, chosen: Sequence[Move]) -> float:
    """What the EQ does to the level of the whole, in dB; 0 where no window of it sounds."""
    powers = 10.0 ** (scouting.tilt.levels / 10.0)
    if not powers.any():
        return 0.0
    after = powers * 10.0 ** (curve(scouting, chosen) / 10.0)
    return float(10.0 * np.log10(after.sum() / powers.sum()))


def _weights(scouting: Scouting, chosen: Sequence[Move]) -> Values:
    """Factor that the EQ puts on the power of each 100 Hz."""
    middles = np.minimum(STEPS[:-1] + 50.0, 0.499 * scouting.rate)
    return np.asarray(10.0 ** (curve(scouting, chosen, middles) / 10.0))
