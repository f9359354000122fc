"""True peak against EBU Tech 3341 (V4, 2023), Table 1, and ITU-R BS.1770-5, Annex 2."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from chainkit.dsp.truepeak import TruePeakMeter

RATE = 48000


def dbtp(x):
    meter = TruePeakMeter(x.shape[1])
    meter.add(x)
    return meter.dbtp()


def faded(x, frames=480):
    ramp = np.minimum(1.0, np.arange(len(x)) / frames)
    return x * ramp * ramp[::-1]


def sine(cycles_a_frame, amplitude, degrees, frames=RATE // 2):
    n = np.arange(frames)
    return faded(amplitude * np.sin(2 * np.pi * cycles_a_frame * n + np.radians(degrees)))


# Table 1, cases 15 to 19; the last column is the exact peak of the sine.
@pytest.mark.parametrize(
    ("divisor", "amplitude", "degrees", "expected", "exact"),
    [
        (4, 0.50, 0.0, -6.0, -6.0206),
        (4, 0.50, 45.0, -6.0, -6.0206),
        (6, 0.50, 60.0, -6.0, -6.0206),
        (8, 0.50, 67.5, -6.0, -6.0206),
        (4, 1.41, 45.0, 3.0, 2.9844),
    ],
)
def test_sines_between_the_samples(divisor, amplitude, degrees, expected, exact):
    x = sine(1.0 / divisor, amplitude, degrees)
    measured = dbtp(np.stack([x, x], axis=1))
    assert expected - 0.4 <= measured <= expected + 0.2
    # Ripple of the interpolators, which is stated with them.
    assert measured == pytest.approx(exact, abs=0.06)


@pytest.mark.parametrize("offset", range(4))
def test_a_peak_at_four_places_between_the_samples(offset):
    # Table 1, cases 20 to 23: one period of fs/4 at full scale within fs/6 at half scale, made
    # at 4 fs and decimated from sample 0, 1, 2 or 3.
    n = np.arange(4 * RATE // 4)
    slow = 0.5 * np.sin(2 * np.pi * n / 24.0)
    start = 24 * (len(n) // 48)
    slow[start : start + 16] = np.sin(2 * np.pi * np.arange(16) / 16.0)
    slow[start + 16 :] = 0.5 * np.sin(2 * np.pi * np.arange(len(n) - start - 16) / 24.0)
    lowpass = signal.firwin(1023, 0.9 / 4.0)
    x = faded(signal.fftconvolve(slow, lowpass, mode="same")[offset::4])
    assert -0.4 <= dbtp(x[:, None]) <= 0.2


@pytest.mark.parametrize("frequency", [0.02, 0.17, 0.31, 0.42, 0.45, 0.49])
def test_worst_under_read(frequency):
    # Annex 2, Attachment 1: 20·lg cos(π·f/n) for the over-sampling n, here 8; 0.554 dB is allowed
    # at 0.45 of the rate with the 4-fold of the annex. The interpolators are flat within 0.06 dB.
    bound = 20.0 * np.log10(np.cos(np.pi * frequency / 8))
    readings = [
        dbtp(sine(frequency, 1.0, degrees, 2000)[:, None]) for degrees in np.linspace(0.0, 180.0, 9)
    ]
    assert min(readings) >= bound - 0.06
    assert max(readings) <= 0.06


@pytest.mark.parametrize(("band", "lowest", "highest"), [(0.45, -0.06, 0.06), (0.5, -0.6, 0.4)])
def test_noise_against_an_exact_interpolation(band, lowest, highest):
    """32-fold by Fourier transform; what lies above 0.45 of the rate meets the falling filter."""
    misses = []
    for seed in range(12):
        spectrum = np.fft.rfft(np.random.default_rng(seed).standard_normal(12_000))
        spectrum[int(band * 12_000) :] = 0.0
        x = np.pad(np.fft.irfft(spectrum) * np.hanning(12_000), 1000)
        exact = 20.0 * np.log10(np.abs(signal.resample(x, 32 * len(x))).max())
        misses.append(dbtp(x[:, None]) - exact)
    assert lowest < min(misses) < max(misses) < highest
    assert np.ptp(misses) > 0.02  # not the same peak each time


@pytest.mark.parametrize(
    ("band", "lowest", "highest"), [(1024, -1.0, 0.5), (int(0.45 * 2048), -0.06, 0.06)]
)
def test_short_pieces_of_noise_are_read_as_far_off_as_is_said(band, lowest, highest):
    """Each of 400 pieces between two copies of itself, so that its own Fourier sum is exact."""
    misses = []
    for seed in range(400):
        spectrum = np.fft.rfft(np.random.default_rng(seed).standard_normal(2048))
        spectrum[band:] = 0.0
        exact = 32 * np.abs(np.fft.irfft(spectrum, 32 * 2048)).max()
        piece = np.fft.irfft(spectrum)
        misses.append(dbtp(np.tile(piece, 3)[:, None]) - 20.0 * np.log10(exact))
    assert lowest < min(misses) < 0.75 * lowest
    assert 0.75 * highest < max(misses) < highest


@pytest.mark.parametrize(("before", "behind"), [(0, 0), (0, 200), (200, 0), (200, 200)])
def test_a_peak_between_two_frames_at_the_edge_of_the_file(before, behind):
    """Half-way between two equal frames with silence about them a band-limited signal is 4/pi high.

    From the interpolation formula (C. E. Shannon, "Communication in the presence of noise",
    Proc. IRE 37, 1949; from memory): 2 sinc(1/2). A pair reaches up to half the sample rate, where
    the filters fall off.
    """
    x = np.pad(np.full((2, 1), 0.9), ((before, behind), (0, 0)))
    assert dbtp(x) == pytest.approx(20.0 * np.log10(0.9 * 4.0 / np.pi), abs=0.05)


def test_a_reading_on_the_way_does_not_end_the_programme():
    """What is read before the last frame takes silence behind it, and forgets that again."""
    x = np.full((300, 1), 0.9) * np.where(np.arange(300) % 4 < 2, 1.0, -1.0)[:, None]
    meter = TruePeakMeter(1)
    for block in np.array_split(x, 50):
        meter.add(block)
        assert meter.dbtp() is not None
    assert meter.dbtp() == dbtp(x)


def test_silence_has_no_peak():
    assert dbtp(np.zeros((1000, 2))) is None


def test_one_frame_is_its_own_peak():
    assert dbtp(np.full((1, 1), 0.5)) == pytest.approx(-6.0206, abs=1e-4)
