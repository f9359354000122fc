"""ECMA-418-1, 3rd edition, 2024 (formerly ECMA-74 Annex D, ISO 7779): prominent discrete tones."""

from __future__ import annotations

import numpy as np
import pytest

from chainkit.dsp import prominence
from chainkit.dsp.hum import HumMeter
from chainkit.dsp.longterm import LongTerm
from chainkit.scout.findings import of_hum

RATE = 48000


@pytest.mark.parametrize(
    ("frequency", "width", "low", "high", "tone", "ratio"),
    [
        # Widths and edges at 500 Hz and 1 kHz are printed in the standard with one decimal
        # (117.3; 162.2, 922.2, 1084.4); the others follow from its formulas.
        (100, 100.723, 49.639, 150.361, 16.3300, 19.0000),
        (200, 102.873, 148.563, 251.437, 13.8224, 15.9897),
        (280, 105.588, 227.206, 332.794, 12.6052, 14.5284),
        (500, 117.255, 441.372, 558.628, 10.5076, 12.0103),
        (1000, 162.217, 922.176, 1084.392, 8, 9),
        (2000, 300.770, 1855.261, 2156.031, 8, 9),
        (3150, 508.491, 2905.998, 3414.490, 8, 9),
        (5500, 1035.610, 5006.516, 6042.126, 8, 9),
        (8000, 1705.659, 7192.499, 8898.159, 8, 9),
    ],
)
def test_critical_bands_and_criteria(frequency, width, low, high, tone, ratio):
    assert prominence.critical_bandwidth(frequency) == pytest.approx(width, abs=1e-3)
    assert prominence.critical_band(frequency) == pytest.approx((low, high), abs=1e-3)
    assert prominence.tone_criterion(frequency) == pytest.approx(tone, abs=1e-4)
    assert prominence.ratio_criterion(frequency) == pytest.approx(ratio, abs=1e-4)


def powers_of(frequency, tone, noise):
    """Spectrum of a sine of RMS `tone` in white noise of RMS `noise`."""
    rng = np.random.default_rng(418)
    n = np.arange(16 * RATE)
    x = tone * np.sqrt(2.0) * np.sin(2 * np.pi * frequency * n / RATE)
    return LongTerm(x + noise * rng.standard_normal(len(n)), RATE, 1.0).powers


@pytest.mark.parametrize(
    ("frequency", "tone", "noise", "ratio", "prominent"),
    [
        # Closed form: PR = 10 lg((t² + n₀ Δf) / (n₀ (ΔfL + ΔfU) / 2)).
        (1000, 0.1, 0.05, 27.8327, True),
        (3000, 0.3, 0.02, 40.2805, True),
        (280, 0.01, 0.05, 9.9744, False),
        (2000, 0.008, 0.05, 4.6118, False),
    ],
)
def test_tone_in_white_noise(frequency, tone, noise, ratio, prominent):
    powers = powers_of(frequency, tone, noise)
    found = prominence.prominence_ratio(powers, 1.0, frequency)
    assert found == pytest.approx(ratio, abs=0.3)
    assert (found >= prominence.ratio_criterion(frequency)) is prominent


def test_hum_in_white_noise():
    # Closed form: TNR = 10 lg(t² / (n₀ Δf)). The noise under a hum is taken where it is quietest,
    # which puts the ratio up to 1.2 dB higher.
    rng = np.random.default_rng(418)
    rate, tone, noise = 8000, 1e-3, 2e-3
    time = np.arange(32 * rate)[:, None] / rate
    lines = [np.sqrt(2.0) * np.sin(2 * np.pi * f * time) for f in (50, 100, 150)]
    meter = HumMeter(rate, 1)
    meter.add(tone * np.sum(lines, axis=0) + noise * rng.standard_normal(time.shape))
    found = list(of_hum(meter.finish()))
    # Δf at 50, 100, 150 Hz from the standard's formula.
    for finding, width in zip(found, (100.181, 100.723, 101.622), strict=True):
        expected = 10 * np.log10(tone**2 / (noise**2 / (rate / 2) * width))
        assert expected - 0.5 <= finding.ratio_db <= expected + 1.5


def test_white_noise_has_no_prominent_tone():
    powers = powers_of(1000, 0.0, 0.1)
    for frequency in np.geomspace(100, 8000, 30):
        # The standard error of the band's mean over 31 windows of 100 bins is below 0.1 dB.
        assert abs(prominence.prominence_ratio(powers, 1.0, frequency)) < 0.5
