"""The long-term spectrum: how many different partials made a place, how far a band moves."""

from __future__ import annotations

import numpy as np
import pytest
from signals import noise

from chainkit.dsp.longterm import LongTerm

RATE = 16000


def played(notes, seconds=0.5):
    """Notes one after the other, 12 harmonics each."""
    time = np.arange(round(seconds * RATE)) / RATE
    fade = np.clip(np.minimum(time, seconds - time) / 0.02, 0.0, 1.0)
    return np.concatenate(
        [
            fade * np.sum([np.sin(2 * np.pi * k * f * time) / k for k in range(1, 13)], axis=0)
            for f in notes
        ]
    )


@pytest.mark.parametrize("count", [1, 2, 4])
def test_as_many_partials_are_told_as_there_are(count):
    """Fundamentals equally often: the inverse of Simpson's index is their number."""
    notes = [220.0 * 2 ** (step / 12) for step in range(count)]
    found = LongTerm(played(notes * 12), RATE).partials(notes[count // 2], 1.3)
    assert found == pytest.approx(count, rel=0.4)


def test_noise_and_a_glide_have_many(rng):
    assert LongTerm(noise(rng, -20.0, 8 * RATE)[:, 0], RATE).partials(500.0, 1.08) > 20.0
    phase = 2 * np.pi * np.cumsum(np.geomspace(150.0, 600.0, 10 * RATE)) / RATE
    glide = np.sum([np.sin(k * phase) / k for k in range(1, 8)], axis=0)
    assert LongTerm(glide, RATE).partials(450.0, 1.08) > 9.0


def test_vibrato_makes_many_of_one_note():
    time = np.arange(8 * RATE) / RATE
    phase = 2 * np.pi * np.cumsum(300.0 * 2 ** (0.5 / 12 * np.sin(2 * np.pi * 0.7 * time))) / RATE
    assert LongTerm(np.sin(phase), RATE).partials(300.0, 1.08) > 9.0


def test_nothing_is_said_of_silence_and_of_too_little():
    assert LongTerm(np.zeros(RATE), RATE).partials(300.0, 1.08) == float("inf")
    assert LongTerm(np.ones(100), RATE).partials(300.0, 1.08) == float("inf")
    assert LongTerm(np.zeros(RATE), RATE).swing(1000.0, 2000.0) == 0.0


def test_noise_does_not_swing_and_bursts_do(rng):
    x = noise(rng, -20.0, 8 * RATE)[:, 0]
    assert LongTerm(x, RATE).swing(3000.0, 6000.0) < 2.0
    loud = np.where(np.arange(len(x)) % RATE < RATE // 3, 1.0, 0.1)
    assert LongTerm(x * loud, RATE).swing(3000.0, 6000.0) > 12.0


def test_swing_is_of_what_sounds(rng):
    """Noise behind a gate does not move while it is open."""
    x = noise(rng, -20.0, 8 * RATE)[:, 0]
    x[np.arange(len(x)) % (4 * RATE) > 2 * RATE] = 0.0
    assert LongTerm(x, RATE).swing(3000.0, 6000.0) < 6.0


def test_notes_are_held_and_noise_and_a_glide_are_not(rng):
    """Of a note of 1 s, each quarter but the last is followed by one with the same partial."""
    notes = played(rng.permutation(np.repeat(220.0 * 2 ** (np.arange(12) / 12), 2)), seconds=1.0)
    assert LongTerm(notes, RATE).held(700.0, 1.3) > 0.6
    assert LongTerm(noise(rng, -20.0, 8 * RATE)[:, 0], RATE).held(700.0, 1.05) < 0.2
    phase = 2 * np.pi * np.cumsum(np.geomspace(150.0, 600.0, 10 * RATE)) / RATE
    assert LongTerm(np.sin(phase), RATE).held(300.0, 1.3) < 0.1
    assert LongTerm(np.zeros(RATE), RATE).held(300.0, 1.08) == 0.0


def test_how_often_a_band_sounds_is_counted(rng):
    x = noise(rng, -20.0, 9 * RATE)[:, 0]
    assert LongTerm(x, RATE).times(500.0, 600.0, 1e-3) == 1
    x *= np.repeat([0.0, 1.0, 0.0, 1.0, 0.0, 0.0, 1.0, 1.0, 0.0], RATE)
    assert LongTerm(x, RATE).times(500.0, 600.0, 1e-3) == 3
    x[-RATE:] = noise(rng, -20.0, RATE)[:, 0]
    assert LongTerm(x, RATE).times(500.0, 600.0, 1e-3) == 3
