"""Audibility against ANSI S3.5-1997, one-third-octave procedure (Table 3, last step)."""

from __future__ import annotations

import numpy as np
import pytest

from chainkit.dsp.audibility import IMPORTANCE, NOMINAL, ThirdOctaves, audibility, band_edges


def test_importance_is_that_of_the_standard():
    # ANSI S3.5-1997, Table 3: the importances sum to one; shares of some regions.
    assert IMPORTANCE.sum() == pytest.approx(1.0, abs=1e-12)
    assert IMPORTANCE[(NOMINAL >= 2000) & (NOMINAL <= 5000)].sum() == pytest.approx(0.3908)
    assert IMPORTANCE[(NOMINAL >= 1000) & (NOMINAL <= 4000)].sum() == pytest.approx(0.5925)
    assert IMPORTANCE[NOMINAL >= 4000].sum() == pytest.approx(0.1847)
    assert IMPORTANCE[NOMINAL <= 400].sum() == pytest.approx(0.1057)


@pytest.mark.parametrize(
    ("difference", "expected"),
    [
        (-20, 0.0),
        (-15, 0.0),
        (-12, 0.1),
        (-3, 0.4),
        (0, 0.5),
        (6, 0.7),
        (12, 0.9),
        (15, 1),
        (30, 1),
    ],
)
def test_one_difference_in_all_bands_gives_its_band_audibility(difference, expected):
    # K = (SNR + 15)/30 within 0 and 1 (ANSI S3.5-1997); the importances sum to one.
    voice = np.full(18, 10 ** (difference / 10))
    assert audibility(voice, np.ones(18), 48000) == pytest.approx(expected, abs=1e-12)


def test_silence():
    assert audibility(np.zeros(18), np.ones(18), 48000) == 0.0
    assert audibility(np.ones(18), np.zeros(18), 48000) == pytest.approx(1.0)
    assert audibility(np.zeros(18), np.zeros(18), 48000) == 0.0


@pytest.mark.parametrize("rate", [8000, 11025, 16000, 44100])
def test_bands_that_a_rate_does_not_hold_do_not_count(rng, rate):
    """White noise 6 dB above the same: K = 0.7 in each band, so 0.7 in all, and 1 above silence."""
    meter = ThirdOctaves(rate)
    meter.add(rng.standard_normal((rate, 1)))
    voice = meter.powers()
    backing = voice * 10.0**-0.6
    assert audibility(voice, backing, rate) == pytest.approx(0.7, abs=1e-6)
    assert audibility(voice, np.zeros(18), rate) == pytest.approx(1.0, abs=1e-12)


def test_a_band_that_is_cut_counts_by_what_is_left_of_it():
    # At 8 kHz the band of 4 kHz reaches from 3548 to 4467 Hz (IEC 61260-1, base 10).
    voice = np.where(NOMINAL == 4000, 1.0, 0.0)
    part = 0.0771 * (4000.0 - 3548.134) / (4466.836 - 3548.134)
    whole = IMPORTANCE[NOMINAL < 4000].sum() + part
    assert audibility(voice, np.zeros(18), 8000) == pytest.approx(part / whole, rel=1e-5)


def test_band_edges_are_those_of_iec_61260():
    # IEC 61260-1:2014, base 10: edges of the bands at 1 kHz and 8 kHz (exact mid-bands).
    edges = band_edges()
    assert edges[8:10] == pytest.approx([891.2509381, 1122.018454], rel=1e-9)
    assert edges[17:19] == pytest.approx([7079.457844, 8912.509381], rel=1e-9)


@pytest.mark.parametrize("rate", [16000, 44100, 48000, 96000])
def test_white_noise_has_the_power_of_each_band_s_width(rng, rate):
    powers = ThirdOctaves(rate)
    powers.add(0.1 * rng.standard_normal((rate * 8, 1)))
    expected = 0.01 * np.diff(band_edges()) / (rate / 2)
    covered = band_edges()[1:] < rate / 2
    level = 10 * np.log10(powers.powers().mean(axis=0)[covered] / expected[covered])
    assert np.abs(level).max() < 0.5


def test_powers_do_not_depend_on_blocks(rng):
    x = rng.standard_normal((20_000, 2))
    whole, pieces = ThirdOctaves(48000), ThirdOctaves(48000)
    whole.add(x)
    for n in range(0, len(x), 777):
        pieces.add(x[n : n + 777])
    assert np.array_equal(whole.powers(), pieces.powers())
