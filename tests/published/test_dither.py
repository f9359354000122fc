"""Quantising and dither against S. P. Lipshitz, R. A. Wannamaker, J. Vanderkooy, "Quantization and
Dither: A Theoretical Survey", J. Audio Eng. Soc. 40(5), 1992, 355-375.

Triangular dither two steps wide: total error of mean 0 and power Δ²/4 whatever the signal; none:
Δ²/12 for a busy signal. Tolerances are at least four standard deviations of a million samples.
"""

from __future__ import annotations

import naive_quantise
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from chainkit.dsp import kernels_quantise
from chainkit.dsp.dither import Quantizer

COUNT = 1_000_000
OFF_GRID = 0.3  # of a step: a first sample that calls for dither


def codes_of(x: np.ndarray, bits: int, seed: int = 1) -> np.ndarray:
    """Codes of one channel, as whole numbers."""
    return Quantizer(bits, 1, seed).process(x[:, None])[:, 0] / 2.0 ** (32 - bits)


def error_in_steps(x: np.ndarray, bits: int, seed: int = 1) -> np.ndarray:
    """Error of a signal of which the first sample is off the grid, that sample left out."""
    return (codes_of(x, bits, seed) - x * 2.0 ** (bits - 1))[1:]


def sine(amplitude: float, rate: int = 48000, frequency: float = 997.0) -> np.ndarray:
    return amplitude * np.sin(2 * np.pi * frequency * np.arange(COUNT) / rate)


@pytest.mark.parametrize("level", [0.0, 0.1, 0.25, 0.4, 0.5, 0.75])
def test_error_of_a_constant_has_mean_0_and_power_a_quarter(level):
    """Rectangular dither would give frac·(1 − frac): 0, 0.09, 0.1875, 0.24, 0.25, 0.1875."""
    x = np.full(COUNT + 1, level) * 2.0**-15
    x[0] = OFF_GRID * 2.0**-15
    error = error_in_steps(x, 16)
    assert abs(error.mean()) < 0.003
    assert error.var() == pytest.approx(0.25, abs=0.003)
    assert np.abs(error).max() < 1.5


@pytest.mark.parametrize(("bits", "dbfs_rms"), [(16, -96.3296), (20, -120.4120), (24, -144.4944)])
def test_error_power_of_a_sine(bits, dbfs_rms):
    """10·log10(Δ²/4) with Δ = 2^(1 − N); one standard deviation is 0.006 dB."""
    error = error_in_steps(sine(10 ** (-1 / 20)), bits) * 2.0 ** (1 - bits)
    assert 10 * np.log10(np.mean(error**2)) == pytest.approx(dbfs_rms, abs=0.03)


def test_error_is_white_and_uncorrelated():
    """Lag-1 correlation and correlation with the signal 0 ± 4/√N; 16 equal bands within 0.15 dB."""
    x = sine(0.7)
    error = error_in_steps(x, 16)
    lag1 = np.mean(error[1:] * error[:-1]) / error.var()
    with_signal = np.mean(error * x[1:]) / np.sqrt(error.var() * x.var())
    power = np.abs(np.fft.rfft(error)) ** 2
    bands = np.array([band.mean() for band in np.array_split(power[1:], 16)])
    assert abs(lag1) < 0.004
    assert abs(with_signal) < 0.004
    assert np.abs(10 * np.log10(bands / bands.mean())).max() < 0.15


def test_error_power_does_not_follow_the_signal():
    """No noise modulation: power is Δ²/4 in loud, quiet and tiny parts alike."""
    for amplitude in (0.9, 1e-3, 1e-5):
        assert error_in_steps(sine(amplitude), 16).var() == pytest.approx(0.25, rel=0.02)


def harmonics(codes: np.ndarray, orders: tuple[int, ...]) -> np.ndarray:
    """Amplitudes, in steps, of multiples of 1 kHz in whole periods of 48 frames."""
    whole = codes[: COUNT // 48 * 48]
    spectrum = np.fft.rfft(whole) / (len(whole) / 2)
    return np.abs(spectrum[np.array(orders) * len(whole) // 48])


def test_a_sine_below_half_a_step_survives_without_harmonics():
    """Amplitude 0.5 Δ comes back as 0.5 Δ, harmonics below 0.004 Δ (4 standard deviations)."""
    x = sine(0.5 * 2.0**-15, frequency=1000.0)
    x[0] = OFF_GRID * 2.0**-15
    amplitudes = harmonics(codes_of(x, 16), (1, 2, 3, 5))
    assert amplitudes[0] == pytest.approx(0.5, abs=0.005)
    assert amplitudes[1:].max() < 0.004


def test_the_harmonics_check_would_see_missing_dither():
    """A sine of 0.75 Δ rounded without dither has a third harmonic of 0.246 Δ."""
    plain = np.floor(sine(0.75, frequency=1000.0) + 0.5)
    assert harmonics(plain, (3,))[0] == pytest.approx(0.246, abs=0.01)


@pytest.mark.parametrize("bits", [8, 16, 24, 32])
def test_samples_on_the_grid_pass_unchanged_without_dither(bits, rng):
    codes = rng.integers(-(2 ** (bits - 1)), 2 ** (bits - 1), (5000, 3))
    quantizer = Quantizer(bits, 3)
    stored = quantizer.process(codes / 2.0 ** (bits - 1))
    assert np.array_equal(stored, codes * 2 ** (32 - bits))
    assert not quantizer.dithered


def test_dither_sets_in_at_the_first_frame_that_loses_bits(rng):
    codes = rng.integers(-20000, 20000, (4000, 2)).astype(float)
    codes[2500, 1] += 0.25
    quantizer = Quantizer(16, 2)
    stored = quantizer.process(codes / 32768) / 65536
    assert quantizer.dithered
    assert np.array_equal(stored[:2500], codes[:2500])
    changed = stored[2500:] != codes[2500:]
    # From there on both channels move: |d| > 1/2 for a quarter of all samples.
    assert changed.mean(axis=0) == pytest.approx([0.25, 0.25], abs=0.05)


def test_dither_sets_in_for_the_whole_frame():
    """Channel 0 fits, channel 1 does not: both are dithered, so a quarter of the seeds move 0."""
    frame = np.array([[5.0, 5.0 + OFF_GRID]]) / 128
    firsts = [Quantizer(8, 2, seed).process(frame)[0, 0] >> 24 for seed in range(400)]
    assert np.mean(np.array(firsts) != 5) == pytest.approx(0.25, abs=0.08)


def test_dither_stays_across_an_empty_block():
    quantizer = Quantizer(8, 1)
    quantizer.process(np.array([[OFF_GRID / 128]]))
    quantizer.process(np.zeros((0, 1)))
    assert quantizer.dithered
    assert np.any(quantizer.process(np.zeros((100, 1))))


def test_splitmix64_gives_its_published_first_outputs():
    """Published outputs for seed 0 (Steele, Lea, Flood 2014; the authors' reference program)."""
    published = [0xE220A8397B1DCDAF, 0x6E789E6AA1B965F4, 0x06C45D188009454F]
    assert naive_quantise.splitmix64(0, 3) == published
    triangular = [((z >> 32) - (z & 0xFFFFFFFF)) / 2**32 for z in published]
    assert [kernels_quantise.triangular(np.uint64(0), n) for n in range(3)] == triangular


@settings(max_examples=40, deadline=None)
@given(
    samples=st.lists(st.floats(-1.5, 1.5), min_size=1, max_size=60),
    bits=st.sampled_from([8, 16, 24, 32]),
    seed=st.integers(0, 2**64 - 1),
)
def test_kernels_agree_with_their_slow_twin(samples, bits, seed):
    x, codes = np.array(samples), np.empty(len(samples), dtype=np.int32)
    scale, unit = 2.0 ** (bits - 1), 2.0 ** (32 - bits)
    held = kernels_quantise.quantise(x, scale, unit, 1.0, np.uint64(seed), 0, codes)
    first, peak = kernels_quantise.tally_held(x, scale, 1.0, np.uint64(seed), 0)
    slow_codes, slow_held = naive_quantise.quantise(samples, bits, seed)
    assert (codes / unit).tolist() == slow_codes
    assert held == len(slow_held)
    assert first == (slow_held[0] if slow_held else len(samples))
    assert peak == max((abs(samples[n]) * scale for n in slow_held), default=0.0)


@settings(max_examples=25, deadline=None)
@given(cuts=st.lists(st.integers(0, 500), max_size=6), onset=st.integers(0, 500))
def test_codes_do_not_depend_on_the_blocks(cuts, onset):
    x = np.random.default_rng(5).integers(-100, 100, (500, 2)) / 128.0
    x[onset:] *= 1.3
    whole, split = Quantizer(8, 2, seed=3), Quantizer(8, 2, seed=3)
    expected = whole.process(x)
    pieces = [split.process(block) for block in np.split(x, sorted(cuts))]
    assert np.array_equal(np.concatenate(pieces), expected)
    assert (split.dithered, split.clipping) == (whole.dithered, whole.clipping)


def test_seeds_give_different_dither_and_one_seed_the_same():
    x = np.full(1000, OFF_GRID / 128)
    assert np.array_equal(codes_of(x, 8, seed=7), codes_of(x, 8, seed=7))
    assert not np.array_equal(codes_of(x, 8, seed=7), codes_of(x, 8, seed=8))
    both = [error_in_steps(np.full(COUNT, OFF_GRID / 128), 8, seed) for seed in (7, 8)]
    assert abs(np.corrcoef(both)[0, 1]) < 0.004


@settings(max_examples=40, deadline=None)
@given(gain=st.floats(1.0, 30.0), bits=st.sampled_from([8, 16, 24]), seed=st.integers(0, 99))
def test_the_gain_that_cures_clipping_cures_it(gain, bits, seed):
    x = np.random.default_rng(seed).uniform(-gain, gain, (200, 2))
    x[17] = gain
    quantizer = Quantizer(bits, 2, seed)
    quantizer.process(x)
    clipping = quantizer.clipping
    cured = Quantizer(bits, 2, seed + 1)
    cured.process(x * 10 ** (clipping.cure / 20))
    assert cured.clipping is None
    assert clipping.cure == pytest.approx(-clipping.overshoot, abs=0.011 + 13 / 2 ** (bits - 1))


def test_clipping_counts_samples_and_names_the_first():
    x = np.zeros((10, 2))
    x[4, 1], x[7] = 1.5, (-2.0, 1.1)
    quantizer = Quantizer(16, 2)
    quantizer.process(x[:3])
    quantizer.process(x[3:])
    clipping = quantizer.clipping
    assert (clipping.count, clipping.frame, clipping.channel) == (3, 4, 1)
    assert clipping.overshoot == pytest.approx(20 * np.log10(65536 / 32767))
    assert clipping.cure == -6.03
