"""Settings that the dynamics stages share, with their bounds."""

from __future__ import annotations

import math

from chainkit.stages.base import Amount, Choice
from chainkit.units import GAIN, RATIO, TIME

RATIO_OF = Amount(RATIO, 1.0, math.inf)
KNEE = Amount(GAIN, 0.0, 48.0)
RANGE = Amount(GAIN, 0.0, 120.0, {"none": None})
ATTACK = Amount(TIME, 0.0, 1.0)
RELEASE = Amount(TIME, 0.0, 10.0)
WINDOW = Amount(TIME, 0.0, 1.0)
LOOKAHEAD = Amount(TIME, 0.0, 0.5)
DETECTOR = Choice("peak", "rms")
