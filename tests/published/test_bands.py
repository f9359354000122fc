"""Fractional-octave bands against IEC 61260-1:2014 and ISO 266:1997."""

from __future__ import annotations

import numpy as np
import pytest

from chainkit.dsp.spectrum import FRACTIONS, REGIONS, SpectrumMeter, midband, nominal

RATE = 48000
# ISO 266:1997, nominal third-octave frequencies, and the exact base-10 mid-bands of
# IEC 61260-1:2014, formula 2, for some of them.
NOMINAL = (
    25, 31.5, 40, 50, 63, 80, 100, 125, 160, 200, 250, 315, 400, 500, 630, 800, 1000, 1250, 1600,
    2000, 2500, 3150, 4000, 5000, 6300, 8000, 10000, 12500, 16000, 20000,
)  # fmt: skip
EXACT = {
    25: 25.11886432, 63: 63.09573445, 160: 158.4893192, 500: 501.1872336, 1000: 1000.0,
    1250: 1258.925412, 4000: 3981.071706, 6300: 6309.573445, 10000: 10000.0, 20000: 19952.62315,
}  # fmt: skip


def spectrum(x, rate=RATE):
    meter = SpectrumMeter(rate, x.shape[1])
    meter.add(x)
    return meter.finish(None)


def sine(frequency, rate=RATE, seconds=1.5):
    n = np.arange(round(seconds * rate))
    return 0.5 * np.sin(2 * np.pi * frequency * n / rate)[:, None]


def test_third_octave_midbands():
    bands = spectrum(np.zeros((1, 1))).bands(3)
    found = [band.midband_hz for band in bands]
    assert found == pytest.approx(NOMINAL, rel=0.013)  # nominal values are rounded that far
    for named, exact in EXACT.items():
        assert found[NOMINAL.index(named)] == pytest.approx(exact, rel=1e-9)


def test_nominal_third_octaves():
    for band, wanted in zip(spectrum(np.zeros((1, 1))).bands(3), NOMINAL, strict=True):
        for frequency in (1.01 * band.lower_hz, band.midband_hz, 0.99 * band.upper_hz):
            assert nominal(frequency) == pytest.approx(wanted, rel=1e-12)


def test_band_edges():
    # IEC 61260-1:2014, formulas 4 and 5: a band is 10^(0.3 / b) wide about its mid-band.
    for fraction in FRACTIONS:
        for band in spectrum(np.zeros((1, 1))).bands(fraction):
            ratio = 10.0 ** (0.15 / fraction)
            assert band.lower_hz == pytest.approx(band.midband_hz / ratio, rel=1e-9)
            assert band.upper_hz == pytest.approx(band.midband_hz * ratio, rel=1e-9)


def test_sixth_octave_midbands_around_1_khz():
    # IEC 61260-1:2014, formula 3 (even fractions).
    expected = [749.894209, 841.395142, 944.060876, 1059.25373, 1188.50223, 1333.52143]
    assert [midband(x, 6) for x in range(-3, 3)] == pytest.approx(expected, rel=1e-8)


@pytest.mark.parametrize(("rate", "fraction"), [(16000, 3), (44100, 3), (48000, 12), (96000, 6)])
def test_a_sine_at_each_midband(rate, fraction):
    # IEC 61260-1:2014, Table 1: ±0.4 dB at the mid-band in class 1; here 0.2 dB.
    for band in spectrum(np.zeros((1, 1)), rate).bands(fraction):
        # Long enough for the splash of the abrupt ends to weigh little in the narrow bands.
        measured = spectrum(sine(band.midband_hz, rate, 3.0), rate).bands(fraction)
        level = next(b.level_dbfs for b in measured if b.midband_hz == band.midband_hz)
        assert level == pytest.approx(-9.0309, abs=0.2)


@pytest.mark.parametrize(
    ("octaves", "least"), [(1.29437, 16.6), (1.88173, 40.5), (3.05365, 60.0), (5.39195, 70.0)]
)
@pytest.mark.parametrize("nominal", [125, 1000, 8000])
def test_attenuation_outside_a_third_octave(nominal, octaves, least):
    # IEC 61260-1:2014, Table 1 and Table F.1, class 1: least relative attenuation at the
    # normalised frequencies of the third-octave band, on both sides of it.
    place = NOMINAL.index(nominal)
    middle = midband(place - 16, 3)
    fade = np.minimum(1.0, np.arange(3 * RATE) / RATE)[:, None]  # without, the ends splash
    fade = fade * fade[::-1]
    inside = spectrum(sine(middle, seconds=3.0) * fade).bands(3)[place].level_dbfs
    for frequency in (middle / octaves, min(middle * octaves, 23000.0)):
        outside = spectrum(sine(frequency, seconds=3.0) * fade).bands(3)[place].level_dbfs
        assert inside - outside >= least


def test_pink_noise_is_flat(rng):
    # Pink noise has equal power in each band of constant relative width, by definition.
    frames = 60 * RATE
    frequencies = np.maximum(np.fft.rfftfreq(frames, 1.0 / RATE), 1.0)
    phases = np.exp(2j * np.pi * rng.random(len(frequencies)))
    x = np.fft.irfft(phases / np.sqrt(frequencies), frames)
    levels = [band.level_dbfs for band in spectrum(x[:, None] / x.std()).bands(3)]
    assert max(levels) - min(levels) <= 0.5


@pytest.mark.parametrize(("nominal", "expected"), [(1000, -20.1704), (5000, -13.1704)])
def test_white_noise_in_a_band(rng, nominal, expected):
    # A band of width B holds B / (fs / 2) of white noise.
    x = rng.standard_normal((20 * RATE, 1))
    level = spectrum(x / x.std()).bands(3)[NOMINAL.index(nominal)].level_dbfs
    assert level == pytest.approx(expected, abs=0.2)


def test_balance_of_white_noise(rng):
    # The regions are the third octaves from 200 to 500 Hz, 2 to 5 kHz, 10 to 16 kHz.
    measured = spectrum(rng.standard_normal((20 * RATE, 2)))
    whole = 22387.21 - 22.38721
    for region, (low, high) in REGIONS.items():
        width = high * 10**0.05 - low / 10**0.05
        expected = 10.0 * np.log10(width / whole)
        # Nominal frequencies are off by up to 1.3 %.
        assert measured.balance(region) == pytest.approx(expected, abs=0.25)


def test_only_the_sounding_parts_count():
    meter = SpectrumMeter(RATE, 1)
    meter.add(sine(1000.0, seconds=3.0))
    meter.add(1e-3 * sine(200.0, seconds=30.0))
    place = NOMINAL.index(1000)
    gated, whole = (meter.finish(gate).bands(3)[place].level_dbfs for gate in (-40.0, None))
    assert gated == pytest.approx(-9.03, abs=0.7)
    assert whole == pytest.approx(-9.03 - 10.41, abs=0.7)  # 3 of 33 seconds


def test_other_fractions_are_refused():
    with pytest.raises(ValueError, match="fraction 5 is none of"):
        spectrum(np.zeros((1, 1))).bands(5)


def test_bands_end_below_half_the_rate():
    assert spectrum(np.zeros((1, 1)), 16000).bands(3)[-1].midband_hz == pytest.approx(6309.6, abs=1)
    assert spectrum(np.zeros((1, 1)), 44100).bands(3)[-1].midband_hz == pytest.approx(19953, abs=1)
    assert spectrum(sine(1000.0, 16000), 16000).balance("air") is None
