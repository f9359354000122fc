"""The true-peak limiter: holds its ceiling, keeps its length, leaves what is below alone."""

from __future__ import annotations

import numpy as np
import pytest
from naive_limiter import naive_frame_peaks, naive_limiting_gain
from scipy import signal
from signals import bursts, noise, sine

from chainkit.dsp.dynamics import smoothing
from chainkit.dsp.kernels_limiter import frame_peaks, limiting_gain
from chainkit.dsp.limiter import BETA, PLACES, TAPS, Limiter
from chainkit.dsp.truepeak import TruePeakMeter, interpolator


def limited(x, size, rate=48000, **settings):
    limiter = Limiter(rate, x.shape[1], **settings)
    pieces = [limiter.process(x[n : n + size]) for n in range(0, len(x), size)]
    pieces.append(limiter.finish())
    audio, gain = (np.concatenate(part) for part in zip(*pieces, strict=True))
    return audio, gain


@pytest.mark.parametrize("level", [-6.0, 0.0, 12.0])
def test_no_sample_passes_the_ceiling(rng, level):
    x = 10 ** (level / 20) * bursts(rng, 24_000, 2)
    audio, _ = limited(x, 4096, ceiling=-1.0)
    assert np.abs(audio).max() <= 10 ** (-1 / 20) + 1e-12


@pytest.mark.parametrize("frequency", [997.0, 6000.0, 11_025.0, 15_000.0])
def test_true_peak_of_a_loud_sine_keeps_the_ceiling(frequency):
    audio, _ = limited(sine(frequency, 9.0, 0.5), 4096, ceiling=-1.0)
    meter = TruePeakMeter(1)
    meter.add(audio)
    # 4-fold over-sampling under-reads by up to 20·lg cos(π·f/n) (ITU-R BS.1770-5, Annex 2,
    # Attachment 1); 12 taps add up to 0.2 dB to that.
    under_read = -20 * np.log10(np.cos(np.pi * frequency / 48000 / 4))
    assert -1.01 <= meter.dbtp() <= -1.0 + under_read + 0.2


@pytest.mark.parametrize(("order", "band", "over"), [(8, 0.2, 0.06), (6, 0.4, 0.36)])
def test_true_peak_of_limited_noise_is_over_by_as_much_as_is_said(order, band, over):
    """The exact peak, interpolated 16-fold by Fourier transform, of noise up to `band` · rate."""
    lowpass = signal.butter(order, 2.0 * band, output="sos")
    peaks = []
    for seed in range(6):
        x = signal.sosfilt(lowpass, np.random.default_rng(seed).standard_normal(30_000))
        audio, _ = limited((x * np.hanning(len(x)))[:, None], 4096, ceiling=-1.0)
        exact = np.abs(signal.resample(audio[:, 0], 16 * len(audio))).max()
        peaks.append(20.0 * np.log10(exact))
    assert -1.0 + over / 4.0 < max(peaks) < -1.0 + over


@pytest.mark.parametrize(("band", "over"), [(0.2, 0.2), (0.4, 0.5), (0.5, 2.2)])
def test_noise_that_begins_at_once_is_over_by_as_much_as_is_said(band, over):
    """The first 1500 frames, cut off as they are; the exact peak as above."""
    peaks = []
    for seed in range(20):
        spectrum = np.fft.rfft(np.random.default_rng(seed).standard_normal(88_200))
        spectrum[int(band * 88_200) :] = 0.0
        x = np.fft.irfft(spectrum)[:3000]
        audio, _ = limited((2.5 * x / x.std())[:, None], 4096, rate=44100, ceiling=-1.0)
        head = np.pad(audio[:2000, 0], (400, 0))
        head[-500:] *= np.linspace(1.0, 0.0, 500)
        peaks.append(20.0 * np.log10(np.abs(signal.resample(head, 16 * len(head))).max()))
    assert -1.0 + over / 4.0 < max(peaks) < -1.0 + over


@pytest.mark.parametrize(("settings", "release"), [({}, 0.060), ({"release": 0.2}, 0.2)])
def test_the_gain_goes_1_minus_1_over_e_of_the_way_back_in_the_release_time(settings, release):
    x = np.repeat([2.0, 0.1], 10_000)[:, None]
    missing = 1.0 - 10 ** (limited(x, 4096, ceiling=0.0, **settings)[1][:, 0] / 20)
    assert missing[9_000] > 0.49
    frames = np.arange(11_000, 20_000)
    expected = missing[11_000] * np.exp(-(frames - 11_000) / (release * 48_000))
    np.testing.assert_allclose(missing[frames], expected, rtol=1e-6)


def test_what_is_below_the_ceiling_is_left_alone(rng):
    x = noise(rng, -30.0, 9_000, 2)
    audio, gain = limited(x, 1000, ceiling=-1.0)
    assert np.array_equal(audio, x)
    assert not gain.any()


@pytest.mark.parametrize("size", [1, 17, 509, 4096])
def test_any_block_size_gives_the_same_bits(rng, size):
    x = 3.0 * bursts(rng, 5_000, 2)
    whole = limited(x, len(x), ceiling=-1.0)
    assert np.array_equal(limited(x, size, ceiling=-1.0)[0], whole[0])


@pytest.mark.parametrize("frames", [0, 1, 70, 71, 72, 77, 78, 79, 300])
def test_length_is_kept(rng, frames):
    x = noise(rng, 0.0, frames)
    audio, gain = limited(x, 50, ceiling=-1.0)
    assert len(audio) == len(gain) == frames


def test_the_gain_moves_smoothly(rng):
    _, gain = limited(2.0 * bursts(rng, 24_000), 4096, ceiling=-1.0)
    # The average over 72 frames lets the linear gain move by at most 1/72 of its way a frame.
    assert np.abs(np.diff(10 ** (gain / 20), axis=0)).max() <= 1 / 72 + 1e-9


def test_kernels_agree_with_their_slow_twins(rng):
    taps = np.array([interpolator(TAPS, place, BETA) for place in PLACES])
    x = noise(rng, 0.0, 900, 2)
    peaks = np.empty(len(x) - TAPS + 1)
    frame_peaks(x, taps, np.empty(512 + TAPS - 1), np.empty(512), peaks)
    np.testing.assert_allclose(peaks, naive_frame_peaks(x, taps), rtol=0, atol=1e-12)
    gain, alpha, window = np.empty(len(peaks)), smoothing(0.06, 48000), 72
    state = np.array([0.0, 0.0, 0.0, 1.0, float(window)])
    queue = np.zeros((2, window + 1))
    limiting_gain(peaks, 0.9, alpha, *queue, np.ones(window), state, gain)
    expected = naive_limiting_gain(peaks, 0.9, alpha, window)
    np.testing.assert_allclose(gain, expected, rtol=0, atol=1e-12)
