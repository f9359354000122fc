"""The de-esser's split against Linkwitz-Riley, and what a de-esser must leave alone.

Source: S. Linkwitz, "Active Crossover Networks for Noncoincident Drivers", J. Audio Eng. Soc.
24(1), 1976 (from memory): two second-order Butterworth sections in series on each side, -6 dB at
the edge, whose sum is an all-pass. The tables were worked out from that with the bilinear transform
prewarped at 5500 Hz, 48 kHz.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal
from signals import sine

from chainkit.dsp import filters
from chainkit.dsp.deesser import DeEsser
from chainkit.dsp.delay import Queue
from chainkit.dsp.split import LinearSplit, MinimumSplit

RATE = 48000
EDGE = 5500.0
PLAIN = {
    "frequency": EDGE, "upper": None, "threshold": -34.0, "sense": "band", "ratio": 4.0,
    "knee": 6.0, "reduction_range": None, "attack": 0.001, "release": 0.060, "lookahead": 0.001,
    "detector": "peak", "window": 0.002, "phase": "minimum",
}  # fmt: skip

LR4 = np.array([
    (1000, -0.007985, -60.735143, -28.5014),
    (2000, -0.129070, -36.624251, -58.8152),
    (2750, -0.461962, -25.714126, -83.4804),
    (4000, -1.985893, -13.791206, -127.8062),
    (5500, -6.020600, -6.020600, -180.0000),
    (7000, -11.926006, -2.537515, 137.7050),
    (8000, -16.307697, -1.442056, 116.0941),
    (11000, -29.679309, -0.289783, 73.2963),
    (16000, -53.054686, -0.019345, 35.7529),
])  # fmt: skip
"""Hz, low dB, high dB, phase of the sum in degrees."""

TURNED_DOWN = {
    -3: (-0.037498, -0.534581, -1.371118, -2.136597, -2.468459, -2.883214, -2.992032),
    -6: (-0.064142, -0.933967, -2.491903, -4.046960, -4.769078, -5.720881, -5.980790),
    -12: (-0.096468, -1.442768, -4.074144, -7.113381, -8.736630, -11.189414, -11.942586),
    -20: (-0.116076, -1.765585, -5.192746, -9.682421, -12.480300, -17.752531, -19.827809),
}
"""Gain of the band in dB to the level of a sine of 2, 4, 5.5, 7, 8, 11, 16 kHz, in dB."""


def deessed(x, **settings):
    """Output and gain in dB of a de-esser that is `PLAIN` but for `settings`."""
    run = DeEsser(RATE, x.shape[1], **(PLAIN | settings))
    first, last = run.process(x), run.finish()
    return np.concatenate((first[0], last[0])), np.concatenate((first[1], last[1]))


def parts(split, x):
    """Base and band of `x` through a split that withholds nothing."""
    queue = Queue(x.shape[1])
    split.base(x, queue)
    base = queue.take(len(x)).copy()
    return base, split.band(x, queue).copy()


def responses(frequencies):
    """Complex response of base and band of the minimum split, from its impulse response."""
    impulse = np.zeros((4096, 1))
    impulse[0] = 1.0
    made = parts(MinimumSplit(RATE, 1, EDGE, None), impulse)
    return [signal.freqz(part[:, 0], worN=frequencies, fs=RATE)[1] for part in made]


def decibels(response):
    return 20 * np.log10(abs(response))


def test_bands_have_the_published_levels():
    base, band = responses(LR4[:, 0])
    np.testing.assert_allclose(decibels(base - band), LR4[:, 1], rtol=0, atol=1e-5)
    np.testing.assert_allclose(decibels(band), LR4[:, 2], rtol=0, atol=1e-5)


def test_sum_is_flat_and_has_the_published_phase():
    base, _ = responses(LR4[:, 0])
    off = (np.angle(base, deg=True) - LR4[:, 3] + 180) % 360 - 180
    np.testing.assert_allclose(off, 0.0, atol=1e-4)
    everywhere, _ = responses(np.geomspace(1.0, 23_999.0, 500))
    np.testing.assert_allclose(decibels(everywhere), 0.0, atol=1e-9)


def test_a_plain_butterworth_pair_would_fail():
    """A fourth-order Butterworth pair sums to +3.01 dB at the edge: the test above can fail."""
    pair = [signal.butter(4, EDGE, kind, fs=RATE, output="sos") for kind in ("low", "high")]
    total = sum(signal.sosfreqz(sos, worN=[EDGE], fs=RATE)[1] for sos in pair)
    assert decibels(total)[0] == pytest.approx(3.0103, abs=1e-4)


@pytest.mark.parametrize("upper", [None, 9000.0])
def test_split_is_linkwitz_riley_of_scipy(rng, upper):
    """The band, and the sum of all bands where they are built one by one."""
    x = rng.uniform(-1, 1, (6000, 2))

    def twice(x, edge, kind):
        section = signal.butter(2, edge, kind, fs=RATE, output="sos")
        return signal.sosfilt(np.concatenate((section, section)), x, axis=0)

    bands = [twice(x, EDGE, "lowpass"), twice(x, EDGE, "highpass")]
    band = bands[1]
    if upper is not None:
        bands = [twice(part, upper, kind) for part in bands for kind in ("lowpass", "highpass")]
        band = bands[2]
    made = parts(MinimumSplit(RATE, 2, EDGE, upper), x)
    np.testing.assert_allclose(made[0], sum(bands), rtol=0, atol=1e-12)
    np.testing.assert_allclose(made[1], band, rtol=0, atol=1e-12)


@pytest.mark.parametrize("gain", TURNED_DOWN)
def test_a_band_turned_down_has_the_published_effect(gain):
    base, band = responses([2e3, 4e3, 5.5e3, 7e3, 8e3, 11e3, 16e3])
    made = decibels(base + (10 ** (gain / 20) - 1) * band)
    np.testing.assert_allclose(made, TURNED_DOWN[gain], rtol=0, atol=2e-6)


@pytest.mark.parametrize(
    ("frequency", "level", "gain", "output"),
    [
        (8000, -20, -9.418458, -27.143313),
        (7000, -20, -8.596864, -25.500577),
        (11000, -26, -5.782663, -31.517162),
        (1000, -6, 0.0, -6.0),
    ],
)
def test_steady_sines(frequency, level, gain, output):
    """The static curve of Giannoulis et al. 2012 on the level of the band above.

    An rms detector reads a sine 3.0103 dB lower than its peak, which samples need not meet; the
    threshold is as much lower.
    """
    x = sine(frequency, level, 1.0)
    y, told = deessed(x, detector="rms", threshold=-34.0 - 10 * np.log10(2))
    late = slice(38_400, 43_200)
    assert told[late, 0] == pytest.approx(gain, abs=1e-5)
    peak = np.sqrt(2 * np.mean(y[late] ** 2))
    assert 20 * np.log10(peak) == pytest.approx(output, abs=1e-5)


@pytest.mark.parametrize("phase", ["linear", "minimum"])
def test_one_kilohertz_is_left_alone_while_the_band_is_down(phase):
    """1 kHz within 0.01 dB while 9 kHz is 12 dB down."""
    x = sine(1000.0, -12.0, 0.5) + sine(9000.0, -12.0, 0.5)
    y, gain = deessed(x, phase=phase, threshold=-40.0, ratio=np.inf, reduction_range=12.0)
    assert np.all(gain[4800:-4800] == -12.0)
    middle = slice(9600, 14400)
    low, high = (amplitude(y[middle, 0], frequency) for frequency in (1000.0, 9000.0))
    low_before, high_before = (amplitude(x[middle, 0], f) for f in (1000.0, 9000.0))
    assert 20 * np.log10(low / low_before) == pytest.approx(0.0, abs=0.01)
    wanted = -12.0 if phase == "linear" else turned_down(9000.0)
    assert 20 * np.log10(high / high_before) == pytest.approx(wanted, abs=0.01)


def amplitude(x, frequency):
    """Of a sine in `x`, which holds whole periods of it."""
    turns = np.exp(-2j * np.pi * frequency * np.arange(len(x)) / RATE)
    return 2 * abs(np.mean(x * turns))


def turned_down(frequency):
    """Level of a sine behind the minimum split with its band 12 dB down, by scipy's filters."""
    low, high = (
        signal.sosfreqz(signal.butter(2, EDGE, kind, fs=RATE, output="sos"), [frequency], fs=RATE)[
            1
        ]
        ** 2
        for kind in ("lowpass", "highpass")
    )
    return decibels(low + 10 ** (-12 / 20) * high)[0]


def test_idle_linear_stage_is_the_identity(rng):
    """Bit for bit, negative zeros included, whatever the band holds."""
    x = rng.uniform(-1, 1, (5000, 2))
    x[100:103] = [[-0.0, 0.0], [0.0, -0.0], [5e-324, -5e-324]]
    y, gain = deessed(x, phase="linear", threshold=12.0)
    assert y.tobytes() == x.tobytes()
    assert not gain.any()


def test_linear_band_is_where_the_voice_is(rng):
    """The band is the voice through split_fir, its delay of half its length removed."""
    x = rng.uniform(-1, 1, (3000, 1))
    band = DeEsser(RATE, 1, **(PLAIN | {"phase": "linear"})).band(x)
    taps = filters.split_fir(RATE, EDGE)
    expected = signal.fftconvolve(x[:, 0], taps, mode="full")[len(taps) // 2 :][:3000]
    np.testing.assert_allclose(band[:, 0], expected, rtol=0, atol=1e-13)


def test_share_does_not_depend_on_level(rng):
    """The same gain at -30 dB: a share has no level."""
    x = rng.uniform(-0.5, 0.5, (4000, 1)) * np.linspace(0.01, 1, 4000)[:, None]
    settings = {"sense": "share", "threshold": -12.0, "phase": "linear", "detector": "rms"}
    loud, quiet = (deessed(level * x, **settings)[1] for level in (1.0, 10 ** (-30 / 20)))
    assert loud.min() < -3.0
    np.testing.assert_allclose(quiet, loud, rtol=0, atol=1e-9)


def test_share_of_silence_is_idle():
    x = np.zeros((3000, 1))
    y, gain = deessed(x, sense="share", threshold=-60.0)
    assert not gain.any()
    assert not y.any()


def test_one_gain_for_all_channels(rng):
    """The louder band decides, wherever it is."""
    ess, hum = rng.uniform(-0.5, 0.5, 4000), sine(200.0, -6.0, 4000 / RATE)[:, 0]
    for pair in ((ess, hum), (hum, ess)):
        y, gain = deessed(np.stack(pair, axis=1), phase="linear")
        alone = deessed(ess[:, None], phase="linear")[1]
        assert gain.shape == (4000, 1)
        np.testing.assert_allclose(gain, alone, rtol=0, atol=1e-9)


@pytest.mark.parametrize(
    ("wrong", "said"), [("sense", "band, share"), ("phase", "linear, minimum")]
)
def test_faulty_words_are_named(wrong, said):
    with pytest.raises(ValueError, match=f"{wrong}='loud' must be one of {said}"):
        DeEsser(RATE, 1, **(PLAIN | {wrong: "loud"}))


def test_latency_is_what_is_withheld_at_most(rng):
    run = DeEsser(RATE, 1, **(PLAIN | {"phase": "linear"}))
    given = came = 0
    for size in rng.integers(0, 700, 30):
        given += size
        came += len(run.process(np.zeros((size, 1)))[0])
        assert given - came <= run.latency
    assert LinearSplit(RATE, 1, EDGE, None).latency < run.latency
