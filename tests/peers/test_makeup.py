"""Matched makeup: the output has the loudness of the stage's input by pyloudnorm's measure.

Both are measured by the same independent meter (ITU-R BS.1770, the standard's own weighting).
"""

from __future__ import annotations

import math

import numpy as np
import pyloudnorm
import pytest
from signals import bursts

from chainkit import Chain, Compress, Gain
from chainkit.chain import makeup
from chainkit.chain.stream import prepare

RATE = 48000
QUARTER = 6 * RATE


def voice(*levels):
    """A hissing tone that swells, over and over, at several levels: like a mix of takes.

    Its pauses lie near the absolute gate once they are turned up, and its hiss is what comes
    through where a compressor holds all the rest down.
    """
    time = np.arange(QUARTER) / RATE
    swell = (0.02 + np.abs(np.sin(0.8 * np.pi * time))) ** 2
    pitch = 300 * np.pi * time * (1 + 0.001 * np.sin(5 * time))
    tone = 0.1 * sum(np.sin(k * pitch) / k for k in range(1, 20))
    hiss = 0.15 * np.diff(np.random.default_rng(11).standard_normal(QUARTER + 1))
    x = 0.4 * (tone * swell + hiss * (time % 1.1 > 0.95))
    x[:2000] = 0.0
    return np.concatenate([level * x for level in levels])[:, None]


FULL, FAINT = voice(1.3, 0.05, 0.4), voice(1.0, 0.02, 0.3)


def lufs(x):
    return pyloudnorm.Meter(RATE, filter_class="DeMan").integrated_loudness(x)


# In the first five the wet part's loud moments are its onsets, so that the loudness moves by up to
# 1 dB a dB of makeup whatever the mix; in the next two the makeup lifts blocks over the gate.
@pytest.mark.parametrize(
    ("x", "settings"),
    [
        (FULL, {"threshold": -45.0, "ratio": 20.0, "attack": 0.0, "mix": 0.15}),
        (FULL, {"threshold": -40.0, "ratio": 20.0, "attack": 0.0, "mix": 0.15}),
        (FULL, {"threshold": -45.0, "ratio": 8.0, "attack": 0.005, "mix": 0.15}),
        (FULL, {"threshold": -45.0, "ratio": 20.0, "attack": 0.005, "mix": 0.3}),
        (FAINT, {"threshold": -59.0, "ratio": 10.0, "attack": 0.001, "mix": 0.2}),
        (FAINT, {"threshold": -60.0, "ratio": 10.0}),
        (FAINT, {"threshold": -30.0, "ratio": 3.0, "attack": 0.0, "release": 0.01}),
        (FULL, {"threshold": -20.0, "ratio": 3.0, "mix": 0.5}),
        (FULL, {"threshold": -20.0, "ratio": 3.0, "mix": 0.0}),
    ],
    ids=lambda value: "" if isinstance(value, dict) else ("full" if value is FULL else "faint"),
)
def test_the_output_has_the_loudness_of_the_input(x, settings):
    found = Chain([Compress(makeup="match", **settings)]).process(x, RATE)
    assert found.prepared.notes == ()
    assert lufs(found.audio) == pytest.approx(lufs(x), abs=0.01)


def test_each_match_is_to_the_input_of_its_own_stage():
    chain = Chain(
        [
            Compress(threshold=-40.0, ratio=20.0, attack=0.0, mix=0.2, makeup="match"),
            Gain(gain=-6.0),
            Compress(threshold=-30.0, ratio=4.0, mix=0.6, makeup="match"),
        ]
    )
    assert lufs(chain.process(FULL, RATE).audio) == pytest.approx(lufs(FULL) - 6.0, abs=0.01)


@pytest.mark.parametrize("mix", [1.0, 0.9, 0.02])
def test_a_makeup_out_of_reach_ends_at_its_bound_and_says_how_far_off(mix):
    stage = Compress(threshold=-80.0, ratio=math.inf, knee=0.0, attack=0.0, mix=mix, makeup="match")
    found = Chain([stage]).process(FULL, RATE)
    assert found.prepared.chain.stages[0].makeup == 48.0
    (note,) = found.prepared.notes
    missing = lufs(FULL) - lufs(found.audio)
    assert missing > 0.1
    told = f"the output of compress is {missing:.3g} LU quieter than its input"
    assert note == f"{told}: its makeup ends at 48 dB"


def test_an_output_without_loudness_is_told_as_well():
    stage = Compress(threshold=-120.0, ratio=math.inf, knee=0.0, attack=0.0, makeup="match")
    found = Chain([stage]).process(0.05 * FULL, RATE)
    assert lufs(found.audio) == -math.inf
    (note,) = found.prepared.notes
    assert note.endswith("LU quieter than its input: its makeup ends at 48 dB")


def test_without_a_loudness_there_is_no_makeup(rng):
    stage = Compress(name="glue", threshold=-30.0, ratio=4.0, makeup="match", mix=0.5)
    for x in (np.zeros((RATE, 1)), bursts(rng, 2_000), 1e-6 * FULL):
        found = Chain([stage]).process(x, RATE)
        assert found.prepared.chain.stages[0].makeup == 0.0
        why = "has no loudness (below -70 LUFS, or too short): no makeup"
        assert found.prepared.notes == (f"the input of glue {why}",)


def test_a_match_that_is_given_up_is_told(monkeypatch):
    monkeypatch.setattr(makeup, "PASSES", 2)
    stage = Compress(threshold=-45.0, ratio=20.0, attack=0.0, mix=0.15, makeup="match")
    found = Chain([stage]).process(FULL, RATE)
    (note,) = found.prepared.notes
    missing = lufs(FULL) - lufs(found.audio)
    told = f"the output of compress is {missing:.3g} LU quieter than its input"
    assert note == f"{told}: no better makeup was found"


@pytest.mark.parametrize(("mix", "most"), [(1.0, 1), (0.5, 5), (0.15, 9)])
def test_the_voice_is_heard_few_times(mix, most):
    heard = []

    def blocks():
        heard.append(None)
        return [FULL]

    stage = Compress(threshold=-30.0, ratio=4.0, attack=0.005, mix=mix, makeup="match")
    prepare(Chain([stage]), RATE, 1, blocks)
    assert 1 <= len(heard) <= most
