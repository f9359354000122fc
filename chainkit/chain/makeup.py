"""Finds the makeup that gives a compressor's output the loudness of its input."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

from chainkit.dsp.crossing import find_crossing
from chainkit.dsp.loudness import ABSOLUTE_GATE, LoudnessMeter
from chainkit.stages.compress import MAKEUP, Compress
from chainkit.units import GAIN

TOLERANCE = 0.002  # LU
PASSES = 24  # most corrections of a makeup that is mixed; three or four do as a rule

Hear = Callable[[Compress], tuple[LoudnessMeter, LoudnessMeter]]
"""Sends the whole voice through a stage, and returns meters of its input and output."""


def matched(stage: Compress, hear: Hear) -> tuple[Compress, str]:
    """`stage` with the makeup that fits best, and what the user should know of it.

    One pass does it for a compressed voice alone: more makeup moves all of it, and the meter knows
    which of its blocks then pass the absolute gate. It is heard with all the makeup that there may
    be, so that it has a loudness if ever it can. Mixed with the stage's input the voice is heard
    anew for each makeup that is tried.

    Parameters
    ----------
    stage : Compress
        Its makeup is not looked at.
    hear : callable

    Returns
    -------
    tuple of (Compress, str)
        The words are empty where the output has the loudness of the input, within 0.002 LU.
    """
    before, wet = hear(replace(stage, makeup=MAKEUP.high, mix=1.0))
    due = before.integrated()
    if due is None:
        why = "has no loudness (below -70 LUFS, or too short): no makeup"
        return replace(stage, makeup=0.0), f"the input of {stage.name} {why}"

    def miss_of(trial: float) -> float:
        return due - _level(hear(replace(stage, makeup=trial))[1])

    trim = wet.trim_to(due)
    makeup, miss = math.inf if trim is None else MAKEUP.high + trim, 0.0
    if stage.mix < 1.0:
        makeup, miss = find_crossing(
            miss_of, makeup, stage.mix, MAKEUP.low, MAKEUP.high, tolerance=TOLERANCE, most=PASSES
        )
    elif makeup > MAKEUP.high:
        makeup, miss = MAKEUP.high, due - _level(wet)
    return replace(stage, makeup=makeup), _missed(stage.name, makeup, miss)


def _level(meter: LoudnessMeter) -> float:
    """Integrated loudness in LUFS; what has none is no louder than the gate."""
    found = meter.integrated()
    return ABSOLUTE_GATE if found is None else found


def _missed(name: str, makeup: float, miss: float) -> str:
    if abs(miss) <= TOLERANCE:
        return ""
    held = makeup == MAKEUP.high
    why = f"its makeup ends at {GAIN.format(makeup)}" if held else "no better makeup was found"
    side = "quieter" if miss > 0.0 else "louder"
    return f"the output of {name} is {abs(miss):.3g} LU {side} than its input: {why}"
