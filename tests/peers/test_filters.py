"""Filter design against scipy.signal, which knows none of our formulas.

A band is measured against its analogue prototype (cookbook, column "H(s)"), which
`scipy.signal.freqs` evaluates at tan(πf/fs) / tan(πf0/fs): where the prewarped bilinear transform
takes the frequency f.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy.signal
from hypothesis import given
from hypothesis import strategies as st

from chainkit.dsp import filters, levels

RATES = [44100, 48000, 96000, 192000]
GAINLESS = ["lowpass", "highpass", "allpass"]
WITH_GAIN = ["bell", "low_shelf", "high_shelf"]


def prototype(shape, q, gain=0.0):
    """H(s) of the cookbook with its frequency at 1 rad/s: numerator and denominator."""
    A = 10 ** (gain / 40)
    root = math.sqrt(A)
    return {
        "lowpass": ([1], [1, 1 / q, 1]),
        "highpass": ([1, 0, 0], [1, 1 / q, 1]),
        "notch": ([1, 0, 1], [1, 1 / q, 1]),
        "allpass": ([1, -1 / q, 1], [1, 1 / q, 1]),
        "bell": ([1, A / q, 1], [1, 1 / (A * q), 1]),
        "low_shelf": ([A, A * root / q, A * A], [A, root / q, 1]),
        "high_shelf": ([A * A, A * root / q, A], [1, root / q, A]),
    }[shape]


def to_db(values):
    return levels.to_db(np.abs(values))


def designed(shape, rate, frequency, q, gain):
    design = getattr(filters, shape)
    return design(rate, frequency, *([gain] if shape in WITH_GAIN else []), q)


def analogue(shape, rate, frequency, q, gain, f):
    warped = np.tan(np.pi * f / rate) / math.tan(math.pi * frequency / rate)
    return scipy.signal.freqs(*prototype(shape, q, gain), worN=warped)[1]


def spectrum(rate):
    return np.geomspace(20, 0.49 * rate, 150)


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("shape", GAINLESS + WITH_GAIN)
@pytest.mark.parametrize(
    ("frequency", "q", "gain"),
    [(40, 0.7, 4), (80, 1, -12), (280, 4, -3.5), (1000, 10, 18), (3150, 0.3, -24),
     (8000, 0.7, 3), (18000, 2, 6)],
)  # fmt: skip
def test_band_is_its_analogue_prototype(shape, rate, frequency, q, gain):
    f = spectrum(rate)
    actual = filters.response(designed(shape, rate, frequency, q, gain), f, rate)
    expected = analogue(shape, rate, frequency, q, gain, f)
    np.testing.assert_allclose(to_db(actual), to_db(expected), rtol=0, atol=1e-9)
    np.testing.assert_allclose(actual, expected, rtol=0, atol=1e-8)


# In the notch itself the level runs to minus infinity: 1e-9 dB is asked of all above −20 dB, and
# 1e-10 of full scale below.
@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize(("frequency", "q"), [(60, 2), (1000, 10), (3150, 30), (15000, 1)])
def test_notch_is_its_analogue_prototype(rate, frequency, q):
    f = spectrum(rate)
    actual = filters.response(filters.notch(rate, frequency, q), f, rate)
    expected = analogue("notch", rate, frequency, q, 0.0, f)
    np.testing.assert_allclose(actual, expected, rtol=0, atol=1e-10)
    above = np.abs(expected) > 0.1
    assert above.sum() > 120
    np.testing.assert_allclose(to_db(actual[above]), to_db(expected[above]), rtol=0, atol=1e-9)


# Coefficients are doubles: with half an ulp of a2 lost, the level at the band's frequency is off
# by 8.7 · 2⁻⁵⁴ · A · Q / (2π f0/fs)² dB. These ranges hold that below 3e-10.
@given(
    shape=st.sampled_from(GAINLESS + WITH_GAIN),
    rate=st.integers(8000, 384000),
    fraction=st.floats(1 / 600, 0.499),
    q=st.floats(0.1, 10),
    gain=st.floats(-18, 18),
)
def test_any_band_is_its_analogue_prototype(shape, rate, fraction, q, gain):
    frequency = fraction * rate
    f = np.linspace(frequency / 10, 0.49 * rate, 50)
    actual = filters.response(designed(shape, rate, frequency, q, gain), f, rate)
    expected = analogue(shape, rate, frequency, q, gain, f)
    np.testing.assert_allclose(to_db(actual), to_db(expected), rtol=0, atol=1e-9)


@given(
    shape=st.sampled_from([*GAINLESS, *WITH_GAIN, "notch"]),
    fraction=st.floats(1e-4, 0.4999),
    q=st.floats(0.05, 100),
    gain=st.floats(-24, 24),
)
def test_any_band_is_stable(shape, fraction, q, gain):
    *_, a1, a2 = designed(shape, 48000, fraction * 48000, q, gain)[0]
    assert abs(a2) < 1
    assert abs(a1) < 1 + a2


@pytest.mark.parametrize("shape", [*GAINLESS, *WITH_GAIN, "notch"])
@pytest.mark.parametrize("frequency", [80, 3000, 18000])
def test_coefficients_are_those_of_the_bilinear_transform(shape, frequency):
    rate = 44100
    wa = 2 * rate * math.tan(math.pi * frequency / rate)
    numerator, denominator = prototype(shape, 0.8, 5.0)
    powers = wa ** np.arange(0.0, -3.0, -1)[::-1]
    b, a = scipy.signal.bilinear(
        np.pad(numerator, (3 - len(numerator), 0)) * powers, denominator * powers, fs=rate
    )
    actual = designed(shape, rate, frequency, 0.8, 5.0)
    np.testing.assert_allclose(actual, [[*b, *a]], rtol=0, atol=5e-15 * max(1, *np.abs(b)))


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("order", range(1, 9))
@pytest.mark.parametrize(("kind", "frequency"), [("highpass", 80), ("lowpass", 16000)])
def test_butterworth_is_scipys(kind, frequency, order, rate):
    actual = filters.butterworth(kind, rate, frequency, order)
    expected = scipy.signal.butter(order, frequency, kind, fs=rate, output="sos")
    f = np.geomspace(frequency / 3, 0.49 * rate, 100)
    # scipy.signal.butter loses digits where 1 − |pole| is small; 1e-8 dB is what it has left.
    np.testing.assert_allclose(
        to_db(filters.response(actual, f, rate)),
        to_db(filters.response(expected, f, rate)),
        rtol=0,
        atol=1e-8,
    )


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("edge", [1000, 5500, 16000])
def test_linkwitz_riley_is_two_of_scipys_butterworths(edge, rate):
    for band, kind in zip(filters.linkwitz_riley(rate, edge), ("lowpass", "highpass"), strict=True):
        b, a = scipy.signal.butter(2, edge, kind, fs=rate)
        np.testing.assert_allclose(band, [[*b, *a]] * 2, rtol=0, atol=1e-12)


def test_response_is_scipys():
    sos = np.vstack(
        [filters.bell(48000, 1000, 6, 2), filters.butterworth("lowpass", 48000, 9e3, 5)]
    )
    f = np.linspace(100, 23900, 97).reshape(1, 97)
    expected = scipy.signal.sosfreqz(sos, worN=f.ravel(), fs=48000)[1]
    np.testing.assert_allclose(filters.response(sos, f, 48000), expected[np.newaxis], atol=1e-12)


# ---------------------------------------------------------------------------------- the split
SPLITS = [
    (8000, 1000), (8000, 3000), (16000, 5500), (44100, 5500), (44100, 16000), (48000, 1000),
    (48000, 5500), (96000, 6300), (192000, 16000), (384000, 5500),
]  # fmt: skip


@pytest.mark.parametrize(("rate", "edge"), SPLITS)
def test_split_is_scipys_windowed_sinc(rate, edge):
    taps = filters.split_fir(rate, edge)
    beta = scipy.signal.kaiser_beta(84.0)
    low = scipy.signal.firwin(len(taps), edge, window=("kaiser", beta), fs=rate)
    np.testing.assert_allclose(taps, scipy.signal.unit_impulse(len(taps), "mid") - low, atol=1e-15)
    width = min(edge * (2 ** (1 / 6) - 2 ** (-1 / 6)), rate - 2 * edge)
    needed, _ = scipy.signal.kaiserord(84.0, width / (rate / 2))
    assert needed <= len(taps) + 1 <= needed + 3


@pytest.mark.parametrize(("rate", "edge"), SPLITS)
def test_split_bands(rate, edge):
    taps = filters.split_fir(rate, edge)
    assert len(taps) % 2 == 1
    assert np.array_equal(taps, taps[::-1])
    half_width = min(edge * 0.1158, rate / 2 - edge)
    stop = np.linspace(0, edge - half_width, 700)
    passed = np.linspace(edge + half_width, rate / 2, 700)
    assert to_db(filters.fir_response(taps, stop, rate)).max() < -80
    assert np.abs(to_db(filters.fir_response(taps, passed, rate))).max() < 0.001
    assert to_db(filters.fir_response(taps, edge, rate)) == pytest.approx(-6.02, abs=0.01)
    assert abs(taps.sum()) < 1e-13


@pytest.mark.parametrize(
    ("rate", "edge", "level"),
    [(192000, 95049, -6.02), (8000, 3960, -6.02), (192000, 95999, -52.53), (8000, 3999, -24.95)],
)
def test_split_edges_up_to_half_the_rate(rate, edge, level):
    """They hold up to a hundredth below it; the levels beyond are those of the docstring."""
    taps = filters.split_fir(rate, edge)
    assert to_db(filters.fir_response(taps, edge, rate)) == pytest.approx(level, abs=0.01)


@pytest.mark.parametrize("turned_down", [12, 60])
@pytest.mark.parametrize("rate", RATES)
def test_split_turned_down_leaves_one_kilohertz(rate, turned_down):
    high = filters.fir_response(filters.split_fir(rate, 5500), 1000, rate)
    whole = 1 - high + high * 10 ** (-turned_down / 20)
    assert abs(to_db(whole)) < 0.001


@pytest.mark.parametrize("rate", RATES)
def test_split_band_with_two_edges(rate):
    taps = filters.split_fir(rate, 5500, 9000)
    in_band = filters.fir_response(taps, [6200, 7000, 8000], rate)
    at_edges = filters.fir_response(taps, [5500, 9000], rate)
    outside = filters.fir_response(taps, [0, 1000, 4800, 9700, 15000, rate / 2], rate)
    np.testing.assert_allclose(to_db(in_band), 0, atol=0.002)
    np.testing.assert_allclose(to_db(at_edges), -6.02, atol=0.01)
    assert to_db(outside).max() < -77
    assert np.array_equal(taps, taps[::-1])


@pytest.mark.parametrize(
    ("rate", "lower", "upper"),
    [(22050, 7679, 9983), (16000, 5774, 7160), (48000, 5500, 6875), (192000, 500, 620)],
)
def test_the_ripples_of_two_edges_add_up(rate, lower, upper):
    """The worst of 1700 bands tried; half a transition away from the edges, as is said."""
    taps = filters.split_fir(rate, lower, upper)
    half_width = min(lower * 0.1158, (upper - lower) / 2, rate / 2 - upper)
    passed = np.linspace(lower + half_width, upper - half_width, 700)
    below = np.linspace(0, lower - half_width, 700)
    above = np.linspace(upper + half_width, rate / 2, 700)
    stop = np.concatenate([below, above])
    assert np.abs(to_db(filters.fir_response(taps, passed, rate))).max() < 0.0012
    assert to_db(filters.fir_response(taps, stop, rate)).max() < -78


def test_a_narrow_band_takes_more_taps():
    wide = filters.split_fir(48000, 5500, 9000)
    narrow = filters.split_fir(48000, 5500, 6100)
    assert len(narrow) > 2 * len(wide)
    assert filters.fir_response(narrow, 5800, 48000) == pytest.approx(1, abs=0.001)


def test_taps_stay_few_at_the_end_of_the_spectrum():
    for edge in (19000, 23900, 23999.9):
        assert len(filters.split_fir(48000, edge)) < 600


def test_fir_response_is_scipys_without_its_delay():
    taps = filters.split_fir(48000, 5500)
    f = np.linspace(0, 24000, 50)
    expected = scipy.signal.freqz(taps, worN=f, fs=48000)[1]
    delay = np.exp(-2j * np.pi * f / 48000 * (len(taps) // 2))
    np.testing.assert_allclose(filters.fir_response(taps, f, 48000) * delay, expected, atol=1e-13)


# ------------------------------------------------------------------------------------- faults
@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: filters.lowpass(48000, 24000, 1), "frequency=24000 Hz must lie between 0 and 24"),
        (lambda: filters.bell(48000, 0, 3, 1), "frequency=0 Hz must lie between"),
        (lambda: filters.bell(48000, 1000, 3, 0), "q=0 must be positive"),
        (lambda: filters.notch(48000, 1000, math.nan), "q=nan must be positive"),
        (lambda: filters.butterworth("highpass", 48000, 80, 9), "order=9 must be one of 1, 2"),
        (lambda: filters.butterworth("bandpass", 48000, 80, 2), "kind='bandpass' must be one of"),
        (lambda: filters.split_fir(48000, 5500, 5500), "upper=5500 Hz must lie above"),
        (lambda: filters.split_fir(48000, 5500, 25000), "frequency=25000 Hz must lie between"),
        (lambda: filters.q_from_bandwidth(0), "octaves=0 must be positive"),
        (lambda: filters.fir_response([1.0, 2.0], 100, 48000), "odd in number and symmetric"),
        (lambda: filters.fir_response([1.0, 2, 3], 100, 48000), "odd in number and symmetric"),
    ],
)
def test_settings_out_of_range_are_refused(call, message):
    with pytest.raises(ValueError, match=message):
        call()
