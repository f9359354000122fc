"""Mains hum: found under a voice, its kind told, and not seen where there is none."""

from __future__ import annotations

import numpy as np
import pytest

from chainkit.dsp.hum import HumMeter
from chainkit.dsp.voice import sing

RATE = 8000


def found(x, rate=RATE, block=65536):
    meter = HumMeter(rate, x.shape[1])
    for start in range(0, len(x), block):
        meter.add(np.ascontiguousarray(x[start : start + block]))
    return meter.finish()


def hum(rng, mains, frames, level, rate=RATE, multiples=(1, 2, 3, 4, 5)):
    """A hum whose RMS is `level` dBFS, off its nominal frequency as mains are."""
    time = np.arange(frames)[:, None] / rate
    at = mains + rng.uniform(-0.05, 0.05)
    lines = [
        np.sin(2 * np.pi * (k * at * time + rng.uniform())) / k ** rng.uniform(0.5, 1.5)
        for k in multiples
    ]
    wave = np.sum(lines, axis=0)
    return 10 ** (level / 20) * wave / np.sqrt(np.mean(wave**2))


def harmonics(f0, rate=RATE):
    """A sung tone: 20 harmonics of a fundamental that may move, (frames, 1)."""
    phase = 2 * np.pi * np.cumsum(f0) / rate
    return 0.2 * np.sum([np.sin(k * phase) / k for k in range(1, 21)], axis=0)[:, None]


@pytest.fixture(scope="module", params=["low", "high"])
def voice(request):
    return sing(RATE, seconds=12.0, register=request.param, seed=7).voice


@pytest.mark.parametrize("seed", range(6))
def test_hum_under_a_voice_is_found_and_its_kind_told(voice, seed):
    rng = np.random.default_rng(seed)
    mains = (50, 60)[seed % 2]
    heard = found(voice + hum(rng, mains, len(voice), -60.0))
    assert heard.mains == mains
    assert heard.confidence > 0.5
    assert heard.lines[0].frequency == pytest.approx(mains, abs=0.1)


@pytest.mark.parametrize("seed", range(4))
def test_all_harmonics_that_the_pauses_show_are_listed(voice, seed):
    """Strong ones between weaker ones, too; those that are not there are not."""
    rng, mains = np.random.default_rng(seed), (50, 60)[seed % 2]
    multiples = (1, 2, 3, 4, 7, 8)
    time = np.arange(len(voice))[:, None] / RATE
    lines = [0.004 / k**0.7 * np.sin(2 * np.pi * (k * mains * time + k)) for k in multiples]
    heard = found(voice + np.sum(lines, axis=0) + 1e-4 * rng.standard_normal(voice.shape))
    listed = {round(line.frequency / mains) for line in heard.lines}
    assert listed <= set(multiples)
    assert len(listed) >= 5
    assert heard.confidence > 0.5
    for line in heard.lines:
        wanted = 20 * np.log10(0.004 / round(line.frequency / mains) ** 0.7) - 3.01
        assert line.level == pytest.approx(wanted, abs=2.0)


@pytest.mark.parametrize("seed", range(4))
def test_a_faint_hum_in_noise_is_a_hint(voice, seed):
    """10 to 15 dB above the noise in the windows, so that frames of a quarter are broken up."""
    rng, mains = np.random.default_rng(seed), (50, 60)[seed % 2]
    hiss = 1e-4 * rng.standard_normal(voice.shape)
    heard = found(voice + hum(rng, mains, len(voice), -75.0) + hiss)
    assert heard.mains == mains
    assert 0.0 < heard.confidence < 0.5
    assert found(voice + hiss) is None


@pytest.mark.parametrize("seed", range(3))
def test_a_hum_is_sure_where_a_voice_hides_its_clearest_line(seed):
    """Lines of a dimmer, at multiples of 100 Hz, under syllables sung from 80 to 125 Hz."""
    rng = np.random.default_rng(seed)
    time = np.arange(14 * RATE) / RATE
    sung = harmonics(np.interp(time, np.arange(0, 14.6, 0.5), rng.uniform(80.0, 125.0, 30)))
    place = time % 0.5
    sung *= np.clip(np.minimum(place / 0.04, (0.35 - place) / 0.06), 0.0, 1.0)[:, None]
    lines = [np.sin(2 * np.pi * 100 * k * time + k) / k for k in range(1, 6)]
    hiss = 4e-3 * np.random.default_rng(seed).standard_normal(len(time))
    heard = found(sung + (10 ** (-45 / 20) * np.sum(lines, axis=0) + hiss)[:, None])
    assert heard.mains == 50
    assert heard.confidence > 0.5


def test_no_hum_is_seen_in_a_voice(voice):
    assert found(voice) is None


def test_a_fundamental_alone_is_enough(voice):
    heard = found(voice + hum(np.random.default_rng(3), 50, len(voice), -60.0, multiples=(1,)))
    assert (heard.mains, len(heard.lines)) == (50, 1)
    assert heard.lines[0].level == pytest.approx(-60.0, abs=1.0)
    assert 0.6 < heard.confidence <= 0.8  # alone, it could be a note


def test_a_loud_fundamental_alone_is_a_note(rng):
    sung = hum(rng, 50, 12 * RATE, -20.0, multiples=(1,))
    assert found(sung + 1e-4 * rng.standard_normal(sung.shape)) is None


@pytest.mark.parametrize("seed", range(4))
def test_a_bass_voice_near_the_mains_is_none(seed):
    rng = np.random.default_rng(seed)
    notes = rng.choice([49.0, 50.0, 51.0, 58.3, 60.0, 61.7, 98.0, 100.0, 119.0, 120.0], 13)
    time = np.arange(12 * RATE) / RATE
    vibrato = 2 ** (rng.uniform(20, 60) / 1200 * np.sin(2 * np.pi * 5.5 * time))
    sung = harmonics(np.interp(time, np.arange(13), notes) * vibrato)
    assert found(sung + 1e-4 * rng.standard_normal(sung.shape)) is None


@pytest.mark.parametrize("note", [55.0, 98.0, 100.0, 116.54, 120.0, 240.0])
def test_a_held_note_is_none(note):
    rng = np.random.default_rng(1)
    sung = harmonics(np.full(10 * RATE, note))
    sung[5 * RATE : 6 * RATE] = 0.0
    assert found(sung + 1e-4 * rng.standard_normal(sung.shape)) is None


@pytest.mark.parametrize("pitch", [220.0, 330.0, 440.0])
def test_what_rounding_leaves_of_a_vibrato_is_none(pitch):
    """Five times a second it repeats, as what 24 bits leave of it does: lines that stand still."""
    rate = 48000
    time = np.arange(12 * rate)[:, None] / rate
    turns = 2 * np.pi * pitch * time + 3 * np.sin(2 * np.pi * 5 * time)
    note = sum(np.sin(k * turns) / k for k in range(1, 30))
    held = np.round(2.0**22 * note / np.abs(note).max()) / 2.0**23
    assert found(held, rate) is None


def drum(end, beats_a_minute, lasts, rate=RATE):
    """Sixteen strokes that glide down to `end` Hz and die away, the same in every beat."""
    beat = int(rate * 60 / beats_a_minute)
    time = np.arange(beat) / rate
    phase = 2 * np.pi * np.cumsum(end + 80.0 * np.exp(-time / 0.02)) / rate
    return np.tile(0.5 * np.sin(phase) * np.exp(-time / lasts), 16)[:, None]


@pytest.mark.parametrize("end", [48.0, 50.0, 60.0])
@pytest.mark.parametrize(("beats", "lasts"), [(120, 0.12), (120, 0.3), (150, 0.12), (240, 0.1)])
def test_a_drum_is_none_whose_beat_fits_the_windows(end, beats, lasts):
    """At 120 a minute each window of 0.5 s holds one stroke, and the mains a whole cycle more."""
    assert found(drum(end, beats, lasts)) is None
    assert found(np.tanh(3.0 * drum(end, beats, lasts))) is None  # with harmonics


def test_hum_is_found_beside_a_drum():
    x = drum(70.0, 120, 0.05)
    x += hum(np.random.default_rng(2), 50, len(x), -40.0)
    assert found(x).mains == 50


def test_blocks_change_nothing(voice):
    x = voice + hum(np.random.default_rng(5), 60, len(voice), -60.0)
    whole, cut = found(x), found(x, block=997)
    assert whole.mains == cut.mains
    np.testing.assert_allclose(
        [line.level for line in whole.lines], [line.level for line in cut.lines], atol=1e-6
    )


@pytest.mark.parametrize("frames", [0, 1, 500, 8000])
def test_silence_and_short_files(frames):
    assert found(np.zeros((frames, 2))) is None
