"""Loudness range against EBU Tech 3342 (V4, November 2023)."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

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


# BS.1770-5, Annex 1, Tables 1 and 2.
SHELF = [1.53512485958697, -2.69169618940638, 1.19839281085285, 1.0, -1.69065929318241]
K_WEIGHTING = [
    [*SHELF, 0.73248077421585],
    [1.0, -2.0, 1.0, 1.0, -1.99004745483398, 0.99007225036621],
]


def of_a_file(x):
    """Tech 3342 step by step: 1.5 s of silence behind the file, 3 s windows every 100 ms."""
    weighted = signal.sosfilt(K_WEIGHTING, np.concatenate([x, np.zeros(3 * RATE // 2)]))
    starts = range(0, len(weighted) - 3 * RATE + 1, RATE // 10)
    powers = np.array([np.mean(weighted[start : start + 3 * RATE] ** 2) for start in starts])
    loud = powers[powers >= 10.0 ** ((-70.0 + 0.691) / 10.0)]
    loud = np.sort(loud[loud >= loud.mean() / 100.0])
    low, high = (loud[int((len(loud) - 1) * share + 0.5)] for share in (0.10, 0.95))
    return 10.0 * np.log10(high / low)


@pytest.mark.parametrize("milliseconds", [0, 4, 50, 99])
def test_the_last_frames_of_a_file_count(milliseconds):
    """Ten seconds of a soft tone that end in a loud one, no whole 100 ms long."""
    level = np.where(np.arange(10 * RATE + milliseconds * RATE // 1000) < 10 * RATE, 0.01, 0.9)
    x = level * np.sin(2 * np.pi * 1000.0 * np.arange(len(level)) / RATE)
    meter = LoudnessMeter(RATE, 1)
    meter.add(x[:, None])
    windows = meter.short_term()
    assert meter.range() == pytest.approx(of_a_file(x), abs=1e-6)
    assert np.array_equal(meter.short_term(), windows)  # asking leaves the meter as it is
