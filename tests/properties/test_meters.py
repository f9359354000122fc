"""The meters: slow twins, any block size, levels that can be worked out, memory."""

from __future__ import annotations

import tracemalloc

import naive_meter
import numpy as np
import pytest
from scipy.signal import butter, sosfilt

from chainkit.dsp import kernels_meter
from chainkit.dsp.amplitude import CLIPPED, CLIPPED_RUN, WINDOWS_A_SECOND, AmplitudeMeter
from chainkit.dsp.loudness import HOPS_A_SECOND, LoudnessMeter, k_weighting
from chainkit.dsp.meter import VoiceMeter
from chainkit.dsp.shorttime import ShortTimeSpectra
from chainkit.dsp.truepeak import TruePeakMeter
from chainkit.dsp.voice import sing

RATE = 48000
SIZES = (1, 17, 509, 4096)
LONG_SIZES = (127, 509, 4096)  # of sounds that last: below a window of 10 ms, above one, many


def fed(meter, x, size=1 << 30):
    for start in range(0, max(1, len(x)), size):
        meter.add(x[start : start + size])
    return meter


def measured(x, rate=RATE, size=1 << 30):
    return fed(VoiceMeter(rate, x.shape[1]), x, size).finish()


def swelling(rng, frames, channels):
    return 0.3 * rng.standard_normal((frames, channels)) * np.linspace(0.0, 1.0, frames)[:, None]


# ---------------------------------------------------------------------------------- slow twins
@pytest.mark.parametrize(("rate", "channels"), [(8000, 1), (11025, 2), (22050, 3)])
def test_weighted_energy_agrees_with_its_twin(rng, rate, channels):
    x = swelling(rng, 1500, channels)
    meter = LoudnessMeter(rate, channels)
    out = np.zeros((1500, channels))
    count = kernels_meter.weighted_energy(
        x, meter._coefficients, meter._gain, rate, HOPS_A_SECOND, meter._place, meter._state,
        meter._sums, meter._lanes, out,
    )  # fmt: skip
    expected = naive_meter.hop_powers(x, k_weighting(rate), rate, HOPS_A_SECOND)
    assert count == len(expected)
    # The twin multiplies by the numerators' first coefficients in another place.
    assert out[:count] == pytest.approx(np.array(expected), rel=1e-9)


@pytest.mark.parametrize("seed", range(4))
def test_true_peak_agrees_with_its_twin(seed):
    """Passing over what cannot hold the peak loses nothing."""
    rng = np.random.default_rng(seed)
    x = rng.standard_normal(700) * np.repeat(rng.uniform(0.0, 1.0, 35), 20)
    peak = 20.0 * np.log10(naive_meter.true_peak(x))
    assert fed(TruePeakMeter(1), x[:, None]).dbtp() == pytest.approx(peak, abs=1e-5)


def test_tally_agrees_with_its_twin(rng):
    x = np.clip(rng.standard_normal((4000, 2)), -1.0, 1.0)
    x[100:104, 1], x[300:302, 0] = 1.0, -1.0
    meter = fed(AmplitudeMeter(RATE, 2), x, 333)
    total, peak, runs, first = naive_meter.tally(x, CLIPPED, CLIPPED_RUN)
    assert meter.dc_offset() == pytest.approx(max(total / len(x), key=abs), rel=1e-12)
    assert meter.sample_peak() == pytest.approx(20.0 * np.log10(peak.max()), abs=1e-12)
    assert meter.clipped_runs() == runs
    assert meter.first_clipped() == first / RATE
    assert meter.rms() == pytest.approx(10.0 * np.log10(np.mean(x**2)), abs=1e-9)


@pytest.mark.parametrize(("rate", "channels"), [(8000, 1), (11025, 3)])
def test_window_levels_agree_with_their_twin(rng, rate, channels):
    x = swelling(rng, rate, channels) + np.linspace(-0.5, 0.2, channels)
    state = AmplitudeMeter(rate, channels)
    out = np.zeros(WINDOWS_A_SECOND)
    count = kernels_meter.tally(
        x, rate, WINDOWS_A_SECOND, state._place, state._totals, state._runs, state._squares,
        CLIPPED, CLIPPED_RUN, out,
    )  # fmt: skip
    expected = naive_meter.window_levels(x, rate, WINDOWS_A_SECOND)
    assert count == len(expected)
    assert out[:count] == pytest.approx(expected, rel=1e-9)


# -------------------------------------------------------------------------------- any block size
@pytest.mark.parametrize("rate", [11025, 44100])
def test_the_block_size_does_not_matter(rng, rate):
    x = swelling(rng, rate // 2 + 7, 2)
    whole = measured(x, rate)
    for size in SIZES:
        parts = measured(x, rate, size)
        assert parts.as_dict() == whole.as_dict()
        assert np.array_equal(parts.momentary_lufs, whole.momentary_lufs)
        assert np.array_equal(parts.spectrum.powers, whole.spectrum.powers)


def test_the_block_size_does_not_matter_for_a_voice():
    voice = sing(RATE, seconds=14.0).voice
    x = voice.reshape(len(voice), -1)
    whole = measured(x)
    assert measured(x, size=4096).as_dict() == whole.as_dict()
    levels = [sibilant.against_voice_db for sibilant in whole.sibilants]
    assert len(levels) > 5
    assert whole.sibilants_a_minute == pytest.approx(60.0 * len(levels) / 14.0)
    assert whole.sibilants_median_db == pytest.approx(np.quantile(levels, 0.5))
    assert whole.sibilants_p95_db == pytest.approx(np.quantile(levels, 0.95))


def test_the_true_peak_is_no_lower_than_the_greatest_sample():
    """In single precision 0.9 is 0.89999998."""
    figures = measured(np.full((1, 1), 0.9))
    assert figures.true_peak_dbtp == figures.sample_peak_dbfs


@pytest.mark.parametrize("frames", [0, 1, 2, 479, 480, 481])
def test_short_programmes(rng, frames):
    x = rng.standard_normal((frames, 2))
    assert measured(x, size=7).as_dict() == measured(x).as_dict()
    assert measured(x).frames == frames


# ------------------------------------------------------------------------------- known levels
def test_levels_of_a_full_scale_sine():
    n = np.arange(2 * RATE)
    figures = measured(np.sin(2 * np.pi * 1000.0 * n / RATE)[:, None])
    assert figures.sample_peak_dbfs == pytest.approx(0.0, abs=1e-9)
    assert figures.rms_dbfs == pytest.approx(-3.0103, abs=1e-4)
    assert figures.crest_db == pytest.approx(3.0103, abs=1e-4)
    assert figures.dc_offset == pytest.approx(0.0, abs=1e-12)
    assert figures.sounding_share == 1.0
    assert figures.noise_floor_dbfs is None
    expected = figures.true_peak_dbtp - figures.integrated_lufs
    assert figures.peak_to_loudness_db == pytest.approx(expected, abs=1e-12)


def test_offset_of_the_worst_channel(rng):
    x = 0.1 * rng.standard_normal((RATE, 2)) + [0.01, -0.05]
    assert measured(x).dc_offset == pytest.approx(x[:, 1].mean(), rel=1e-9)


def test_clipped_runs(rng):
    x = 0.1 * rng.standard_normal((RATE, 2))
    x[1000:1003, 0] = 1.0  # a run
    x[2000:2002, 0] = 1.0  # too short
    x[3000:3010, 1] = [-1.0] * 5 + [32767 / 32768] * 5  # two, at both ends of 16 bits
    figures = measured(x, size=1001)
    assert figures.clipped_runs == 3
    assert figures.first_clipped_seconds == 1000 / RATE
    assert measured(0.9 * x).clipped_runs == 0
    assert measured(0.9 * x).first_clipped_seconds is None


def test_waves_above_full_scale_are_not_clipped(rng):
    """In a file of floats they are whole; what was cut off flat, at whatever height, is clipped."""
    wave = 2.0 * np.sin(2 * np.pi * 440.0 * np.arange(RATE) / RATE)[:, None]
    wave += 0.01 * rng.standard_normal(wave.shape)
    assert measured(wave).clipped_runs == 0
    for height in (1.0, 1.5, 32767 / 32768):
        flat = np.clip(wave, -height, height)
        assert measured(flat).clipped_runs == 2 * 440
        assert measured(flat).first_clipped_seconds < 0.0012
    assert measured(wave * (1.0 - 2.0**-23) / np.abs(wave).max()).clipped_runs == 0


@pytest.mark.parametrize("gain", [2.0**15, 2.0**23, 0.9e9])
def test_the_level_does_not_matter_for_ratios(gain):
    """Up to +180 dBFS, the most that is read; integers of 16 and 24 bits stored as float."""
    x = np.rint(sing(RATE, seconds=12.0, seed=3).voice * 2.0**15) / 2.0**15
    plain, found = measured(x), measured(gain * x)
    assert plain.sounding_share < 0.95
    # A window may lie on the other side of the edge of its class of level.
    assert found.sounding_share == pytest.approx(plain.sounding_share, abs=0.01)
    assert plain.clipped_runs == 0
    assert found.clipped_runs is None  # full scale is not known
    assert found.first_clipped_seconds is None
    offset = 20.0 * np.log10(gain)
    for key in ("noise_floor_dbfs", "integrated_lufs", "rms_dbfs"):
        assert getattr(found, key) == pytest.approx(getattr(plain, key) + offset, abs=0.1)
    keys = ("low_mid_db", "presence_db", "air_db", "sibilance_index_db", "sibilants_median_db")
    for key in keys:
        assert getattr(found, key) == pytest.approx(getattr(plain, key), abs=0.02)
    assert len(found.sibilants) == len(plain.sibilants)


@pytest.mark.parametrize("size", SIZES)
def test_a_run_across_blocks_is_one(size):
    x = np.zeros((300, 1))
    x[10:14], x[20:22], x[22:24], x[30:33] = 1.0, 1.2, -1.2, -1.0
    figures = measured(x, size=size)
    assert figures.clipped_runs == 2
    assert figures.first_clipped_seconds == 10 / RATE


def test_sounding_time_and_noise_floor(rng):
    """Noise at −20 dBFS for 3 s of each 5 s, a floor of −60 dBFS beneath it."""
    level = np.where(np.arange(20 * RATE) % (5 * RATE) < 3 * RATE, 0.1, 0.0)
    x = (level * rng.standard_normal(20 * RATE) + 0.001 * rng.standard_normal(20 * RATE))[:, None]
    for gain in (1.0, 0.01):
        figures = measured(gain * x)
        offset = 20.0 * np.log10(gain)
        assert figures.sounding_share == pytest.approx(0.6, abs=0.01)
        assert figures.noise_floor_dbfs == pytest.approx(-60.0 + offset, abs=0.5)
        assert figures.noise_floor_dbfs == round(figures.noise_floor_dbfs, 2)


@pytest.mark.parametrize(("register", "seed"), [("low", 1), ("high", 3), ("low", 5)])
def test_silenced_pauses_do_not_move_the_gate(register, seed):
    """Nor do the tails that a high-pass leaves in them; what sounds then is what is sung."""
    rate = 16000
    sung = sing(rate, seconds=14.0, register=register, seed=seed)
    edges = [time for phrase in sung.phrases for time in (phrase.start - 0.02, phrase.end + 0.05)]
    time = np.arange(len(sung.voice)) / rate
    silenced = sung.voice * (np.searchsorted(edges, time, side="right") % 2)[:, None]
    highpassed = sosfilt(butter(2, 30.0, "highpass", fs=rate, output="sos"), silenced, axis=0)
    recorded, *others = (
        fed(AmplitudeMeter(rate, 1), x) for x in (sung.voice, silenced, highpassed)
    )
    share = sum(phrase.end - phrase.start for phrase in sung.phrases) / 14.0
    for meter in others:
        assert meter.gate() == pytest.approx(recorded.gate(), abs=0.5)
        assert meter.sounding_share() == pytest.approx(share, abs=0.01)


@pytest.mark.parametrize("silenced", [False, True])
def test_noise_in_the_pauses_raises_the_gate(rng, silenced):
    """Noise 20 dB below a voice that sounds half of the time, in all pauses or in every other."""
    second = np.arange(20 * RATE) // RATE
    level = np.where(second % 2, 0.1, 0.01) * ~(silenced & (second % 4 == 0))
    meter = fed(AmplitudeMeter(RATE, 1), (level * rng.standard_normal(20 * RATE))[:, None])
    assert meter.gate() == pytest.approx(-40.0 + 6.0, abs=0.3)
    assert meter.sounding_share() == 0.5


@pytest.mark.parametrize("offset", [0.001, -0.05])
def test_an_offset_is_neither_voice_nor_noise(rng, offset):
    """Bursts of 200 Hz for 1.2 s of each 2 s, noise at −80 dBFS beneath, as in a clean take."""
    n = np.arange(12 * RATE)
    voice = 0.2 * np.sin(2 * np.pi * 200.0 * n / RATE) * (n % (2 * RATE) < 1.2 * RATE)
    x = (voice + 1e-4 * rng.standard_normal(len(n)))[:, None]
    clean, moved = measured(x), measured(x + offset)
    assert clean.noise_floor_dbfs == pytest.approx(-80.0, abs=0.1)
    assert moved.noise_floor_dbfs == clean.noise_floor_dbfs
    assert moved.sounding_share == clean.sounding_share
    # The step at which an offset sets in is heard, far below the voice.
    one, other = (m.spectrum.bands()[7:11] for m in (clean, moved))  # 125 to 250 Hz
    assert [b.level_dbfs for b in other] == pytest.approx([b.level_dbfs for b in one], abs=0.1)
    assert moved.dc_offset == pytest.approx(offset, abs=1e-5)
    assert moved.rms_dbfs == pytest.approx(10.0 * np.log10(np.mean((x + offset) ** 2)), abs=1e-9)


@pytest.mark.parametrize("offset", [0.1, -0.7])
def test_an_offset_alone_is_silence(offset):
    figures = measured(np.full((4 * RATE, 1), offset))
    assert figures.sounding_share == 0.0
    assert figures.noise_floor_dbfs is None


def syllables(rng, seconds):
    """A voice that sounds for half of each 0.3 s, soft consonants behind, and few short pauses."""
    window = np.arange(seconds * RATE) * 20 // RATE  # of 50 ms
    soft = 10.0 ** (-(12.0 + rng.exponential(8.0, window[-1] + 1)) / 20.0)
    level = np.where(window % 6 < 3, 1.0, np.where(window % 18 < 17, soft[window], 0.0))
    return 0.1 * level[:, None] * rng.standard_normal((seconds * RATE, 1))


@pytest.mark.parametrize("seconds", [8, 60])
def test_a_voice_between_digital_silences_has_no_noise_floor(rng, seconds):
    """What is left of its pauses is consonants."""
    assert measured(syllables(rng, seconds)).noise_floor_dbfs is None


def test_soft_consonants_and_breaths_are_no_noise_floor(rng):
    """Nor does a second of digital silence, ahead of the recording, hide it."""
    x = syllables(rng, 20)
    breath = np.where(np.arange(len(x)) % (3 * RATE) < RATE // 4, 0.003, 0.0)[:, None]
    x += (breath + 1e-4) * rng.standard_normal(x.shape)
    x[:RATE] = 0.0
    assert measured(x).noise_floor_dbfs == pytest.approx(-80.0, abs=0.5)


@pytest.mark.parametrize(("spread", "told"), [(13.0, True), (25.0, False)])
def test_pauses_that_differ_too_much_tell_no_noise_floor(rng, spread, told):
    """A tenth of a second at each of 100 levels, spread evenly from -80 dBFS up.

    A twentieth lies below where the search begins; with the 4 dB above that it is 36 or 21 in 100.
    """
    steps = rng.permutation(np.linspace(-80.0, -80.0 + spread, 100))
    quiet = np.repeat(10 ** (steps / 20), RATE // 10)
    x = np.concatenate([np.full(10 * RATE, 0.1), quiet])[:, None]
    floor = measured(x * rng.standard_normal(x.shape)).noise_floor_dbfs
    assert (floor is not None) == told


def strokes(rng, seconds):
    """One stroke each 0.5 s that dies by 1/e in 25 ms and is cut after 0.2 s; then silence."""
    n = np.arange(RATE // 2)
    one = 0.5 * np.exp(-n / (0.025 * RATE)) * rng.standard_normal(len(n)) * (n < 0.2 * RATE)
    return np.tile(one, 2 * seconds)[:, None]


@pytest.mark.parametrize("size", LONG_SIZES)
def test_tails_between_digital_silences_are_no_noise_floor(rng, size):
    """Those of one sample struck again and again are as steady as a noise; the floor is silence."""
    struck = strokes(rng, 8)
    assert measured(struck, size=size).noise_floor_dbfs is None
    noise = 1e-4 * rng.standard_normal(struck.shape)
    # What a filter leaves of silence, 220 dB down, is silence.
    assert measured(struck + 1e-7 * noise, size=size).noise_floor_dbfs is None
    assert measured(struck + noise, size=size).noise_floor_dbfs == pytest.approx(-80.0, abs=0.5)


@pytest.mark.parametrize("size", LONG_SIZES)
def test_digital_silence_at_both_ends_hides_no_noise_floor(rng, size):
    """Ten seconds of it, more than all pauses together, nor shorter ones in the midst of them."""
    level = np.where(np.arange(10 * RATE) % (2 * RATE) < RATE, 0.1, 1e-4)
    level[int(1.2 * RATE) : int(1.5 * RATE)] = 0.0
    x = np.pad(level * rng.standard_normal(10 * RATE), 10 * RATE)[:, None]
    assert measured(x, size=size).noise_floor_dbfs == pytest.approx(-80.0, abs=0.1)


def test_dithered_silence_is_a_noise_floor(rng):
    """TPDF dither of two steps of 16 bits: variance 1/4 of a step squared and 1/12 of rounding."""
    step = 2.0**-15
    dither = rng.uniform(-0.5, 0.5, (20 * RATE, 2)).sum(axis=1, keepdims=True)
    x = step * np.rint(strokes(rng, 20) / step + dither)
    expected = 10.0 * np.log10(step**2 / 4.0)
    assert measured(x).noise_floor_dbfs == pytest.approx(expected, abs=0.2)


def test_too_short_a_pause_tells_no_noise_floor(rng):
    x = 0.1 * rng.standard_normal((6 * RATE, 1))
    x[2 * RATE : 2 * RATE + RATE // 4] *= 0.001
    assert measured(x).noise_floor_dbfs is None


@pytest.mark.parametrize("frames", [0, 1000, 4 * RATE])
def test_figures_of_silence_do_not_exist(frames):
    figures = measured(np.zeros((frames, 2))).as_dict()
    assert figures["clipped_runs"] == 0
    missing = [name for name in figures if name.endswith(("lufs", "dbtp", "dbfs", "_db", "_lu"))]
    assert {figures[name] for name in missing} == {None}
    assert {band["level_dbfs"] for band in figures["spectrum"]} == {None}


def test_a_tone_in_a_band_of_short_time_spectra():
    n = np.arange(RATE)
    spectra = ShortTimeSpectra(RATE, 1)
    x = 0.5 * np.sin(2 * np.pi * 5250.0 * n / RATE)[:, None]
    bands = np.concatenate([*spectra.add(x), *spectra.finish()])
    assert bands.shape == (200, 160)
    assert bands[100].argmax() == 52
    assert 10.0 * np.log10(bands[100].sum()) == pytest.approx(-9.0309, abs=0.01)


def test_memory_grows_by_little(rng):
    """Three minutes more: one number for each 100 ms, 15 kB, and room to grow.

    The blocks are whole batches of spectra and whole zones of the sibilants, so that as much is
    held after each.
    """
    meter = VoiceMeter(16000, 1)
    block = 0.1 * rng.standard_normal((48 * 16000, 1))
    meter.add(block)
    tracemalloc.start()
    meter.add(block)
    before, _ = tracemalloc.get_traced_memory()
    for _ in range(4):
        meter.add(block)
    after, _ = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert after - before < 100_000
