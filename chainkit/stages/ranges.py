"""Settings that the dynamics stages share: their bounds, and where they change nothing."""

from __future__ import annotations

import math
from collections.abc import Iterator

from chainkit.stages.forms import Amount, Choice
from chainkit.units import GAIN, LEVEL, RATIO, TIME

RATIO_OF = Amount(RATIO, 1.0, math.inf)
KNEE = Amount(GAIN, 0.0, 48.0)
RANGE = Amount(GAIN, 0.0, 120.0, {"none": None})
ATTACK = Amount(TIME, 0.0, 1.0)
RELEASE = Amount(TIME, 0.0, 10.0)
WINDOW = Amount(TIME, 0.0, 1.0)
LOOKAHEAD = Amount(TIME, 0.0, 0.5)
DETECTOR = Choice("peak", "rms")


def above_full_scale(name: str, threshold: float) -> Iterator[tuple[tuple[str | int, ...], str]]:
    """What to say of the stage called `name` where hardly anything reaches `threshold` (dBFS)."""
    if threshold > 0.0:
        above = f"threshold {LEVEL.format(threshold)} is above full scale"
        yield ("threshold",), f"{above}: {name} turns hardly anything down; is a minus missing?"


def turns_nothing_down(
    name: str, ratio: float, most: float | None
) -> Iterator[tuple[tuple[str | int, ...], str]]:
    """What to say of the stage called `name` for its ratio, and for its range `most` (dB)."""
    if ratio == 1.0:
        yield ("ratio",), f"ratio 1:1: {name} turns nothing down"
    if most == 0.0:
        yield ("range",), f"range 0 dB: {name} turns nothing down"
