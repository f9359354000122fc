"""Steady tones: found under a voice, in the pauses; not seen where there is none; taken out."""

from __future__ import annotations

import numpy as np
import pytest
from signals import noise, sine

from chainkit.audio.writer import write
from chainkit.dsp.cascade import Cascade
from chainkit.dsp.hum import Hum, Line
from chainkit.dsp.longterm import LongTerm
from chainkit.dsp.prominence import critical_bandwidth
from chainkit.dsp.steady_bands import without_lines
from chainkit.dsp.tones import find_tones, notches, without
from chainkit.dsp.voice import sing
from chainkit.scout import findings, scout_file
from chainkit.scout.chainfile import propose

RATE = 48000


def found(x, rate=RATE, hum=None):
    return find_tones(LongTerm(x[:, 0], rate), hum)


@pytest.fixture(scope="module", params=["low", "high"])
def voice(request):
    return sing(RATE, seconds=12.0, register=request.param, seed=7).voice


@pytest.mark.parametrize("frequency", [443.0, 1000.0, 3301.3, 8000.0, 15625.0])
@pytest.mark.parametrize("level", [-60.0, -45.0, -30.0])
def test_a_tone_under_a_voice_is_found(voice, frequency, level):
    (line,) = found(voice + sine(frequency, level, 12.0))
    assert line.frequency == pytest.approx(frequency, abs=0.1)
    assert line.level == pytest.approx(level - 3.01, abs=0.5)  # RMS of a sine
    assert line.share > 0.8


def test_two_tones_are_two(voice):
    lines = found(voice + sine(2100.0, -50.0, 12.0) + sine(9750.0, -55.0, 12.0))
    assert [round(line.frequency) for line in lines] == [2100, 9750]


# A scene is 24 s at 16 kHz: loud for the first half, then a pause.
LOW_RATE, SECONDS = 16000, 24


def scene(rng, *, loud=-30.0, pause=-80.0, sounding=0.5):
    x = noise(rng, pause, SECONDS * LOW_RATE)
    frames = round(sounding * len(x))
    x[:frames] += noise(rng, loud, frames)
    return x


def whistle(rms, frequency=2000.0):
    return sine(frequency, rms + 3.0103, SECONDS, LOW_RATE)


def heard_in(x):
    return len(found(x, LOW_RATE))


def test_a_tone_is_found_in_the_pauses_however_few_they_are(rng):
    assert heard_in(scene(rng, sounding=0.8) + whistle(-60.0)) == 1
    assert heard_in(scene(rng, sounding=0.8)) == 0


def test_without_a_pause_no_tone_is_concluded(rng):
    """A line at a sixth of the power of what goes on and on may be the source's own."""
    assert heard_in(scene(rng, loud=-60.0, pause=-31.0) + whistle(-38.0, 1013.0)) == 0


def test_a_line_that_makes_up_a_good_part_of_the_source_is_a_drone(rng):
    """The noise has a mean power of -33 dB: 39 and 17 % of the whole are the line's."""
    assert heard_in(scene(rng) + whistle(-35.0)) == 0
    assert heard_in(scene(rng) + whistle(-40.0)) == 1


def test_more_than_eight_lines_are_the_partials_of_one_sound(rng):
    lines = [whistle(-60.0, 510.0 + 700.0 * n) for n in range(9)]
    assert heard_in(scene(rng) + sum(lines[:8])) == 8
    assert heard_in(scene(rng) + sum(lines)) == 0


def test_a_tone_that_only_a_computer_sees_is_none(rng):
    """60 dB below the whole, which lies at -33 dB: the pause is quiet enough to show both."""
    assert heard_in(scene(rng, pause=-110.0) + whistle(-95.0)) == 0
    assert heard_in(scene(rng, pause=-110.0) + whistle(-91.0)) == 1


def test_digital_silence_hides_no_tone(rng):
    x = scene(rng) + whistle(-50.0)
    x[-8 * LOW_RATE :] = 0.0
    assert heard_in(x) == 1


def test_a_line_that_is_missing_from_quiet_moments_is_no_tone(rng):
    """There in the quietest third of the pauses, and not in the rest, which would show it."""
    x, there = scene(rng), np.ones((SECONDS * LOW_RATE, 1))
    x[16 * LOW_RATE :] += noise(rng, -72.0, 8 * LOW_RATE)
    there[16 * LOW_RATE :] = 0.0
    assert heard_in(x + whistle(-80.0)) == 1
    assert heard_in(x + whistle(-80.0) * there) == 0


def test_a_line_without_one_level_is_no_tone(rng):
    """Twice the amplitude for three seconds of each ten."""
    swell = np.where(np.arange(SECONDS * LOW_RATE) // LOW_RATE % 10 < 3, 2.0, 1.0)[:, None]
    assert heard_in(scene(rng) + whistle(-50.0) * swell) == 0


@pytest.mark.parametrize("frequency", [440.0, 2000.0, 5500.0])
@pytest.mark.parametrize(("above", "tones"), [(-2.0, 0), (2.0, 1)])
def test_a_tone_counts_from_the_ratio_at_which_an_ear_hears_it(rng, frequency, above, tones):
    """ECMA-418-1: a tone-to-noise ratio of 8 + 8.33 max(0, lg(1000 / f)) dB, in white noise."""
    width = 25.0 + 75.0 * (1.0 + 1.4 * (frequency / 1000.0) ** 2) ** 0.69
    noise_in_band = -80.0 + 10 * np.log10(width / (LOW_RATE / 2))
    criterion = 8.0 + 8.33 * max(0.0, np.log10(1000.0 / frequency))
    x = scene(rng, loud=-45.0) + whistle(noise_in_band + criterion + above, frequency)
    assert heard_in(x) == tones


def test_a_note_hummed_between_phrases_is_none(rng):
    """One note, for so long that the pauses are too few to be all that is quiet."""
    time = np.arange(60 * LOW_RATE)[:, None] / LOW_RATE
    note = sum(np.sin(2 * np.pi * 220.0 * k * time) / k for k in range(1, 6))
    hummed = (time >= 45.0) & (time < 57.5)
    x = noise(rng, -80.0, len(time)) + np.where(time < 45.0, noise(rng, -20.0, len(time)), 0.0)
    assert heard_in(x + 10 ** (-50 / 20) * note * hummed) == 0
    assert heard_in(x) == 0


def test_noise_has_none(rng):
    pauses = np.repeat(rng.random(40) < 0.5, RATE // 2)[:, None]
    x = noise(rng, -20.0, 20 * RATE)
    assert found(x) == []
    assert found(x * np.where(pauses, 0.003, 1.0)) == []


@pytest.mark.parametrize("depth", [0.0, 0.01])
def test_a_note_held_without_a_pause_is_none(depth, rng):
    """With vibrato or without: nothing is quiet, so nothing tells what is the source's own."""
    time = np.arange(12 * RATE)[:, None] / RATE
    phase = 2 * np.pi * 220 * (time + depth / 31.4 * np.sin(31.4 * time))
    note = 0.1 * sum(np.sin(k * phase) / k for k in range(1, 30))
    assert found(note) == []
    assert found(note + noise(rng, -70.0, len(note))) == []


def test_strings_that_ring_on_have_none(rng):
    """The same four notes again and again, each left to die away over the next."""
    time = np.arange(3 * RATE) / RATE
    x = np.zeros(21 * RATE)
    for stroke in range(36):
        pitch = (110.0, 146.8, 196.0, 246.9)[stroke % 4]
        note = sum(np.sin(2 * np.pi * pitch * k * time) / k for k in range(1, 20))
        x[stroke * RATE // 2 :][: len(time)] += 0.1 * note * np.exp(-3.0 * time)
    assert found(x[:, None] + noise(rng, -80.0, len(x))) == []


def test_lines_of_the_mains_are_hum_and_no_tones(voice):
    line = Line(50.0, -60.0, -90.0, 1.0)
    buzz = voice + sine(1050.0, -50.0, 12.0)
    assert found(buzz, hum=Hum(50, (line,), 0.9)) == []
    assert len(found(buzz)) == 1
    assert found(voice + sine(150.0, -50.0, 12.0)) == []


@pytest.mark.parametrize("frames", [0, 100, RATE])
def test_silence_and_short_files_have_none(frames):
    assert found(np.zeros((frames, 1))) == []
    assert found(sine(1000.0, -20.0, frames / RATE)) == []


def test_the_ratio_is_that_of_a_tone_in_white_noise(rng):
    """ECMA-418-1: TNR = 10 lg(t² / (n₀ Δf)) in the pauses, n₀ the noise in 1 Hz."""
    x = noise(rng, -80.0, 20 * RATE) + sine(2000.0, -57.0, 20.0)
    x[: 10 * RATE] += noise(rng, -30.0, 10 * RATE)
    (finding,) = findings.of_tones(found(x))
    density = -80.0 - 10 * np.log10(RATE / 2)
    wanted = -60.01 - density - 10 * np.log10(critical_bandwidth(2000.0))
    assert finding.ratio_db == pytest.approx(wanted, abs=1.5)
    assert finding.criterion_db == 8.0


@pytest.mark.parametrize("frequency", [443.0, 3300.0])
def test_a_tone_is_taken_out_from_the_first_frame_on(rng, frequency):
    x = noise(rng, -60.0, 4 * RATE)[:, 0]
    lines = [Line(frequency, -30.0, -110.0, 1.0)]
    left = without(x + sine(frequency, -27.0, 4.0)[:, 0], lines, RATE)
    once = Cascade(notches(lines, RATE), 1).process(x[:, None])[:, 0]
    assert np.abs(left - x)[: RATE // 4].std() < 10 ** (-62 / 20)
    assert np.abs(left - once)[RATE:].max() < 1e-6


def test_bands_without_a_line_are_left_as_they_are(rng):
    bands = rng.exponential(1e-6, (3200, 160)).astype(np.float32)
    bands[:1600] *= 1000.0
    assert without_lines(bands) is bands
    whistling = bands.copy()
    whistling[:, 78:81] += np.float32(1e-3) * np.array([0.2, 1.0, 0.2], dtype=np.float32)
    clean = without_lines(whistling)
    np.testing.assert_array_equal(
        np.delete(clean, range(76, 84), 1), np.delete(bands, range(76, 84), 1)
    )
    assert clean[1600:, 78:81].mean() < 3e-6
    assert clean[:1600, 78:81].mean() == pytest.approx(1e-3, rel=0.3)
    assert without_lines(whistling[:1600]) is not clean  # without a pause:
    np.testing.assert_array_equal(without_lines(whistling[:1600]), whistling[:1600])


def test_a_line_beside_which_nothing_pauses_may_be_a_note(rng):
    bands = rng.exponential(1e-3, (3200, 160)).astype(np.float32)
    bands[:, 80] += np.float32(0.1)
    assert without_lines(bands) is bands
    rest = np.delete(np.arange(160), 80)
    bands[1600:, rest] *= np.float32(1e-3)
    assert without_lines(bands)[1600:, 80].max() < 1e-3


@pytest.mark.parametrize(("power", "taken"), [(4e-7, False), (1.6e-6, True)])
def test_a_line_50_db_below_a_voice_is_left(rng, power, taken):
    """The mean power of all is 160 * 1e-3 / 2: what is 50 dB below that lies at 8e-7."""
    bands = rng.exponential(1e-3, (3200, 160)).astype(np.float32)
    bands[1600:] *= np.float32(1e-6)
    bands[:, 80] += np.float32(power)
    assert (without_lines(bands) is not bands) == taken


@pytest.fixture(scope="module")
def clean(tmp_path_factory):
    song = sing(RATE, seconds=12.0, seed=3)
    path = tmp_path_factory.mktemp("tones") / "lead.wav"
    write(path, song.voice, RATE, subtype="PCM_24")
    return song, scout_file(path)


@pytest.mark.parametrize("frequency", [1000.0, 3300.0, 8000.0, 15625.0])
def test_a_whistle_is_told_and_changes_nothing_else(tmp_path, clean, frequency):
    song, alone = clean
    path = tmp_path / "whistle.wav"
    write(path, song.voice + sine(frequency, -40.0, 12.0), RATE, subtype="PCM_24")
    scouting = scout_file(path)
    (tone,) = [one for one in scouting.findings if one.kind == "tone"]
    assert tone.frequency_hz == pytest.approx(frequency, abs=0.5)
    assert tone.confidence > 0.8
    assert tone.gain_db == -24.0
    assert scouting.sibilance_edge_hz == pytest.approx(alone.sibilance_edge_hz, rel=0.03)
    told = {one.kind for one in scouting.findings}
    assert told == {one.kind for one in alone.findings} | {"tone"}
    start, usual = propose(scouting), propose(alone)
    (move,) = [move for move in start.moves if move.reason.startswith("A steady tone, there in")]
    assert move.band.q == tone.q
    (deess,) = [stage for stage in start.chain.stages if stage.kind == "deess"]
    (other,) = [stage for stage in usual.chain.stages if stage.kind == "deess"]
    assert deess.frequency == pytest.approx(other.frequency, abs=200.0)


@pytest.mark.parametrize("hops", [0, 1, 39, 40, 399])
def test_what_is_too_short_for_a_pause_keeps_its_bands(hops, rng):
    bands = rng.exponential(1e-6, (hops, 160)).astype(np.float32)
    assert without_lines(bands) is bands


def test_what_dies_away_is_no_line(rng):
    """A formant of the last vowel, over a tenth of the stretch: 30 dB in 1.6 s."""
    bands = rng.exponential(1e-9, (3200, 160)).astype(np.float32)
    bands[:2880] *= 1000.0
    decay = 10.0 ** (-3.0 * np.arange(320) / 320)
    bands[:2880, 24:27] += np.float32(1e-3)
    bands[2880:, 24:27] += (1e-3 * decay[:, None]).astype(np.float32)
    assert without_lines(bands) is bands
