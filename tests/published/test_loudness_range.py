"""Loudness range against EBU Tech 3342 (V4, November 2023)."""

from __future__ import annotations

import numpy as np
import pytest

from chainkit.dsp.loudness import LoudnessMeter

RATE = 48000


def loudness_range(levels, repeats=1):
    n = np.arange(20 * RATE)
    sine = np.sin(2 * np.pi * 1000.0 * n / RATE)
    meter = LoudnessMeter(RATE, 2)
    for level in levels * repeats:
        meter.add(np.repeat(10.0 ** (level / 20.0) * sine[:, None], 2, axis=1))
    return meter.range()


# Table 1, cases 1 to 4: tolerance 1 LU. The steps between the tones are the range to the digits
# shown, by the listing of the document (nearest rank, gates at −70 LUFS and −20 LU).
@pytest.mark.parametrize(
    ("levels", "expected"),
    [
        ([-20, -30], 10.0),
        ([-20, -15], 5.0),
        ([-40, -20], 20.0),
        ([-50, -35, -20, -35, -50], 15.0),
    ],
)
def test_minimum_requirements(levels, expected):
    measured = loudness_range(levels)
    assert measured == pytest.approx(expected, abs=1.0)
    assert measured == pytest.approx(expected, abs=0.001)


def test_repeating_the_programme_does_not_change_it():
    # Clause 2: the range is a property of the distribution.
    assert loudness_range([-20, -30], 3) == pytest.approx(loudness_range([-20, -30]), abs=0.01)
