"""The kernels and processors against their slow twins, the standard library, mpmath and scipy."""

from __future__ import annotations

import ast
import math
import pathlib

import mpmath
import naive
import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from scipy import signal

import chainkit.dsp
from chainkit.dsp import filters, kernels, storage
from chainkit.dsp.cascade import Cascade
from chainkit.dsp.convolution import LinearPhase
from chainkit.dsp.deesser import DeEsser
from chainkit.dsp.delay import Queue
from chainkit.dsp.dynamics import Compressor, Reduction, static_gain
from chainkit.dsp.gains import Gain, Ride

RATE = 48000
CLOSE = 1e-12
"""Doubles carry 1.1e-16; the kernels add, multiply or follow at most some thousand times."""

samples = st.floats(-1.0, 1.0, allow_subnormal=True)
levels = st.floats(-120.0, 24.0)
coefficients = st.floats(0.0, 0.9999)


def signals(frames: int = 300, values: st.SearchStrategy = samples) -> st.SearchStrategy:
    return hnp.arrays(np.float64, st.integers(1, frames), elements=values)


@st.composite
def voices(draw: st.DrawFn) -> np.ndarray:
    """Noise whose level moves, of 1 to 3 channels; hypothesis chooses, the noise is seeded."""
    frames, channels = draw(st.integers(1, 2500)), draw(st.integers(1, 3))
    noise = np.random.default_rng(draw(st.integers(0, 2**32))).uniform(-1, 1, (frames, channels))
    steps = draw(st.lists(st.floats(-100.0, 0.0), min_size=1, max_size=8))
    level = np.resize(np.repeat(steps, 200), frames)
    return noise * 10 ** (level[:, None] / 20)


def whole(run, x):
    """All that comes out of a processor for `x`, and its gain."""
    first, last = run.process(x), run.finish()
    return np.concatenate((first[0], last[0])), np.concatenate((first[1], last[1]))


# ------------------------------------------------------------------------------------- decorators
def decorators() -> list[tuple[str, str]]:
    """Where each jitted function stands, and how it is decorated."""
    found = []
    for file in sorted(pathlib.Path(chainkit.dsp.__file__).parent.glob("*.py")):
        for node in ast.walk(ast.parse(file.read_text())):
            if isinstance(node, ast.FunctionDef):
                for line in node.decorator_list:
                    if "jit" in ast.unparse(line) or "vectorize" in ast.unparse(line):
                        found.append((f"{file.name}:{node.name}", ast.unparse(line)))
    return found


def test_all_kernels_have_the_same_flags():
    """Other flags let the bits depend on how a signal is cut, or lose the guards against NaN."""
    found = decorators()
    assert len(found) > 20
    odd = [
        place
        for place, line in found
        if line != "njit(cache=True, nogil=True, error_model='numpy')"
    ]
    assert odd == []


def test_kernels_stand_in_files_of_their_own_that_import_nothing_of_ours():
    """A cached kernel does not notice a change in another file."""
    for file in pathlib.Path(chainkit.dsp.__file__).parent.glob("kernels*.py"):
        names = [
            node.module if isinstance(node, ast.ImportFrom) else node.names[0].name
            for node in ast.walk(ast.parse(file.read_text()))
            if isinstance(node, ast.Import | ast.ImportFrom)
        ]
        assert set(names) <= {"__future__", "math", "numpy", "numba"}, file.name
    assert all(place.startswith("kernels") for place, _ in decorators())


# ----------------------------------------------------------------------------------- log and exp
MAGNITUDES = np.concatenate(
    [
        [0.0, 5e-324, 1e-320, 2.2250738585072014e-308, 1e-200, 1e-20, 1.0, 1.7976931348623157e308],
        np.nextafter([1.0, 1.0, math.sqrt(0.5), 2.0], [0.0, 2.0, 1.0, 0.0]),
        np.random.default_rng(1).uniform(0.5, 2.0, 500),
        10.0 ** np.random.default_rng(2).uniform(-19.9, 300.0, 500),
    ]
)
"""From silence and the denormal numbers to the greatest number."""


@pytest.mark.parametrize("scale", [10.0, 20.0])
def test_decibels_against_mpmath(scale):
    """The stated bound is 1e-10 dB over the whole range; below -400 dB it is -400 dB."""
    made = np.empty_like(MAGNITUDES)
    kernels.decibels(MAGNITUDES, scale, made)
    with mpmath.workdps(40):
        exact = [
            max(scale * mpmath.log10(mpmath.mpf(float(v))), -400) if v > 0 else mpmath.mpf(-400)
            for v in MAGNITUDES
        ]
        worst = max(abs(mpmath.mpf(float(m)) - e) for m, e in zip(made, exact, strict=True))
    assert worst < 1e-11
    assert made[MAGNITUDES == 1.0] == 0.0
    assert made[0] == pytest.approx(-400.0, abs=1e-12)


def test_amplitudes_against_mpmath():
    """The stated bound is 1e-10 dB, 1.15e-11 of the amplitude, from -6000 dB to 6000 dB."""
    levels = np.concatenate(
        [np.random.default_rng(3).uniform(-140, 40, 2000), np.linspace(-6000, 6000, 4001)]
    )
    made = np.empty_like(levels)
    kernels.amplitudes(levels, made)
    with mpmath.workdps(40):
        exact = [mpmath.power(10, mpmath.mpf(float(v)) / 20) for v in levels]
        off = [abs(mpmath.mpf(float(m)) / e - 1) for m, e in zip(made, exact, strict=True)]
    assert max(off[:2000]) < 2e-14  # the levels that occur
    assert max(off) < 1.15e-11
    assert made[levels == 0.0] == 1.0


def test_levels_out_of_range_are_held():
    made = np.empty(4)
    kernels.amplitudes(np.array([-np.inf, -7000.0, 7000.0, np.inf]), made)
    np.testing.assert_allclose(made, [1e-300, 1e-300, 1e300, 1e300], rtol=1e-11)


@given(signals(values=st.floats(0.0, 4.0, allow_subnormal=True)), st.sampled_from([10.0, 20.0]))
def test_decibels_against_the_twin(values, scale):
    made = np.empty_like(values)
    kernels.decibels(values, scale, made)
    expected = [naive.decibels(v, scale) for v in values]
    np.testing.assert_allclose(made, expected, rtol=0, atol=CLOSE)


@given(signals(values=st.floats(-200.0, 60.0)))
def test_amplitudes_against_the_twin(values):
    made = np.empty_like(values)
    kernels.amplitudes(values, made)
    np.testing.assert_allclose(made, [naive.amplitude(v) for v in values], rtol=CLOSE)


# ---------------------------------------------------------------------------------------- windows
@given(signals(), st.integers(1, 400))
@example(np.ones(1), 1)
@example(np.arange(64.0), 64)
def test_windows_against_the_twins(x, width):
    padded = np.concatenate((np.zeros(width - 1), abs(x)))
    even, odd = np.empty((2, padded.size))
    greatest, total = np.empty((2, x.size))
    kernels.sliding_max(padded, width, even, odd, greatest)
    kernels.sliding_sum(padded, width, even, odd, total)
    np.testing.assert_array_equal(greatest, naive.trailing_max(abs(x), width))
    np.testing.assert_allclose(total / width, naive.trailing_mean(abs(x), width), atol=CLOSE)


def test_a_window_does_not_drift(rng):
    """Silence after a loud hour reads as silence: nothing is subtracted."""
    x = np.concatenate((1e6 * rng.standard_normal(50_000) ** 2, np.zeros(500)))
    even, odd, total = np.empty((3, x.size))
    kernels.sliding_sum(x, 400, even, odd, total[: x.size - 399])
    assert not total[50_000 : x.size - 399].any()


@given(voices(), st.sampled_from([(False, False), (False, True), (True, False)]))
def test_magnitudes_against_the_twin(x, how):
    squared, folded = how
    made = np.full((1 if folded else x.shape[1], 3 + len(x)), 7.0)
    kernels.magnitudes(x, squared, folded, 3, made)
    expected = x.T**2 if squared else abs(x.T)
    expected = expected.max(axis=0, keepdims=True) if folded else expected
    np.testing.assert_array_equal(made[:, 3:], expected)
    assert np.all(made[:, :3] == 7.0)


def test_what_lies_below_any_signal_counts_as_nothing():
    """So that no square and no product is a denormal number, which are slow."""
    x = np.array([[1e-149], [-1e-149], [1e-151], [-1e-160], [5e-324], [0.0]])
    made = np.empty((2, 1, 6))
    kernels.magnitudes(x, False, True, 0, made[0])
    kernels.magnitudes(x, True, False, 0, made[1])
    np.testing.assert_array_equal(made[0, 0], [1e-149, 1e-149, 0, 0, 0, 0])
    np.testing.assert_array_equal(made[1, 0], [1e-298, 1e-298, 0, 0, 0, 0])


# --------------------------------------------------------------------------- curve and smoothing
@given(signals(values=levels), levels, st.floats(1.0, 100.0), st.floats(0.0, 48.0))
@example(np.array([-26.0, -23.0, -20.0, -17.0]), -20.0, math.inf, 6.0)
@example(np.array([-20.0, -19.0]), -20.0, 4.0, 0.0)
@example(np.array([-20.0, -19.0]), -20.0, 4.0, 5e-324)
def test_static_curve_against_the_twin(values, threshold, ratio, knee):
    expected = [naive.soft_knee(v, threshold, ratio, knee) for v in values]
    made = static_gain(values, threshold, ratio, knee)
    np.testing.assert_allclose(made, expected, rtol=0, atol=1e-11)  # of 144 dB above the threshold
    assert not np.signbit(made[made == 0.0]).any()


@given(
    signals(2100, values=st.floats(-60.0, 0.0)),
    coefficients,
    coefficients,
    st.lists(st.integers(0, 2100), max_size=4),
)
def test_smoothing_against_the_twin_however_it_is_cut(targets, attack, release, cuts):
    state, made = np.zeros(2), np.empty_like(targets)
    places = [0, *sorted(min(cut, targets.size) for cut in cuts), targets.size]
    for begin, end in zip(places, places[1:], strict=False):
        kernels.smooth(targets[begin:end], attack, release, begin, state, made[begin:end])
    np.testing.assert_allclose(made, naive.smooth(targets, attack, release), atol=CLOSE)


def test_a_gain_decays_as_its_twin_until_it_has_settled():
    """What has decayed is set to 0 dB, but only far below all that can be heard or measured."""
    targets = np.zeros(60_000)
    targets[:50] = -20.0
    made = np.empty_like(targets)
    kernels.smooth(targets, 0.9, 0.999, 0, np.zeros(2), made)
    np.testing.assert_allclose(made, naive.smooth(targets, 0.9, 0.999), rtol=1e-9, atol=1e-20)
    assert made[-1] == 0.0


# --------------------------------------------------------------------------------------- cascades
SHAPES = [
    filters.butterworth("highpass", RATE, 80.0, 4),
    filters.butterworth("lowpass", RATE, 20e3, 3),
    filters.bell(RATE, 280.0, -3.5, 4.0),
    filters.bell(RATE, 12e3, 9.0, 0.5),
    filters.high_shelf(RATE, 8000.0, 3.0, 0.7),
    filters.low_shelf(RATE, 120.0, -6.0, 0.7),
    filters.notch(RATE, 3150.0, 10.0),
    filters.allpass(RATE, 5500.0, math.sqrt(0.5)),
]


@given(voices(), st.lists(st.sampled_from(range(len(SHAPES))), max_size=6))
@example(np.ones((5000, 1)), [0, 0])
def test_cascade_against_the_twin_and_scipy(x, chosen):
    sos = np.concatenate([np.empty((0, 6)), *[SHAPES[k] for k in chosen]])
    made = Cascade(sos, x.shape[1]).process(x)
    np.testing.assert_allclose(made, naive.filtered(sos, x), rtol=0, atol=CLOSE)
    for row in sos:  # scipy takes no empty cascade
        x = signal.sosfilt(row[None], x, axis=0)
    np.testing.assert_allclose(made, x, rtol=0, atol=CLOSE)


@pytest.mark.parametrize("count", [1, 8, 64])
def test_long_cascades_against_scipy(rng, count):
    """From 200 Hz up: far below, the rounding of this form, scipy's included, passes 1e-12."""
    x = rng.uniform(-1, 1, (20_000, 1))
    sos = np.concatenate(
        [filters.bell(RATE, 200.0 * 1.07**k, (-1) ** k, 1.0 + k % 3) for k in range(count)]
    )
    made = Cascade(sos, 1).process(x)
    np.testing.assert_allclose(made, signal.sosfilt(sos, x, axis=0), rtol=0, atol=CLOSE)


def test_silence_stays_silence_and_tails_end(rng):
    """A decaying tail ends in zeros instead of in denormal numbers, which are slow."""
    x = np.concatenate((rng.uniform(-1, 1, (1000, 2)), np.zeros((200_000, 2))))
    y = Cascade(np.concatenate(SHAPES[2:4]), 2).process(x)
    assert not y[-100:].any()
    assert y[1000:2000].any()
    quiet = np.abs(y[y != 0.0])
    assert quiet.min() > 2.3e-308
    assert not Cascade(np.concatenate(SHAPES), 2).process(np.zeros((5000, 2))).any()


def test_cascade_refuses_rows_that_are_not_normalised():
    with pytest.raises(ValueError, match="rows b0 b1 b2 1 a1 a2"):
        Cascade(np.array([[1.0, 0.0, 0.0, 2.0, 0.0, 0.0]]), 1)


# ---------------------------------------------------------------------- linear phase and storage
@pytest.mark.parametrize("count", [1, 3, 201, 301, 801])
@pytest.mark.parametrize("channels", [1, 3])
def test_linear_phase_against_the_twin(rng, count, channels):
    """Transforms of 1024 and 4096 frames, cut within a group of blocks and behind one.

    What is withheld comes with the silence after.
    """
    half = rng.uniform(-1, 1, count // 2 + 1)
    taps = np.concatenate((half[:0:-1], half)) / count
    x = rng.uniform(-1, 1, (70_000, channels))
    queue = Queue(channels)
    run = LinearPhase(taps, channels)
    for part in (*np.split(x, [4000, 4001, 63_000]), np.zeros((run.latency, channels))):
        run.process(part, queue)
    made = queue.take(len(x))
    np.testing.assert_allclose(made, naive.centred_fir(x, taps), rtol=0, atol=1e-14)


def test_storage_begins_at_a_cache_line():
    for count in range(1, 50):
        assert storage.empty(count, 3).ctypes.data % 64 == 0
    rows = storage.empty(2, 5)
    rows[:] = np.arange(10.0).reshape(2, 5)
    assert storage.extended(rows, 3, 2) is rows
    longer = storage.extended(rows, 3, 3)
    assert longer.shape == (2, 6)
    np.testing.assert_array_equal(longer[:, :3], rows[:, :3])


# ------------------------------------------------------------------------------------- processors
@st.composite
def dynamics(draw: st.DrawFn) -> dict:
    return {
        "threshold": draw(st.floats(-60.0, 0.0)),
        "ratio": draw(st.sampled_from([1.0, 1.5, 4.0, math.inf])),
        "knee": draw(st.sampled_from([0.0, 6.0, 24.0])),
        "attack": draw(st.sampled_from([0.0, 0.0005, 0.01])),
        "release": draw(st.sampled_from([0.0, 0.004, 0.12])),
        "detector": draw(st.sampled_from(["peak", "rms"])),
        "window": draw(st.sampled_from([0.0, 0.0002, 0.0021])),
        "reduction_range": draw(st.sampled_from([None, 0.0, 8.0])),
    }


@given(
    voices(),
    dynamics(),
    st.sampled_from([0.0, 0.0007]),
    st.sampled_from([0.0, 6.0]),
    st.sampled_from([0.0, 0.3, 1.0]),
    st.booleans(),
    st.sampled_from([None, 150.0]),
)
def test_compressor_against_the_twin(x, settings, lookahead, makeup, mix, link, corner):
    settings = settings | {"lookahead": lookahead, "makeup": makeup, "mix": mix, "link": link}
    run = Compressor(RATE, x.shape[1], sidechain_highpass=corner, **settings)
    sidechain = None if corner is None else filters.butterworth("highpass", RATE, corner, 2)
    y, gain = whole(run, x)
    expected, expected_gain = naive.compressor(x, RATE, sidechain=sidechain, **settings)
    np.testing.assert_allclose(gain, expected_gain, rtol=0, atol=1e-10)
    np.testing.assert_allclose(y, expected, rtol=0, atol=1e-11)  # 1e-10 dB is 1.2e-11


@given(
    voices(),
    dynamics(),
    st.sampled_from([0.0, 0.001]),
    st.sampled_from(["linear", "minimum"]),
    st.sampled_from(["band", "share"]),
    st.sampled_from([None, 9000.0]),
)
def test_deesser_against_the_twin(x, settings, lookahead, phase, sense, upper):
    run = DeEsser(
        RATE, x.shape[1], frequency=5500.0, upper=upper, sense=sense, phase=phase,
        lookahead=lookahead, **settings,
    )  # fmt: skip
    base, band = split_twin(phase, upper)
    reach = len(filters.split_fir(RATE, 5500.0, upper)) // 2 if phase == "linear" else 0
    y, gain = whole(run, x)
    expected, expected_gain = naive.deesser(
        x, RATE, base=base, band=band, lookahead=lookahead, share=sense == "share", reach=reach,
        **settings,
    )  # fmt: skip
    np.testing.assert_allclose(run.band(x), band(x), rtol=0, atol=CLOSE)
    np.testing.assert_allclose(gain, expected_gain, rtol=0, atol=1e-7)
    np.testing.assert_allclose(y, expected, rtol=0, atol=1e-9)


def split_twin(phase, upper):
    """Base and band as functions of a voice, by scipy's Butterworth sections or plain FIR."""
    if phase == "linear":
        taps = filters.split_fir(RATE, 5500.0, upper)
        return (lambda x: x), (lambda x: naive.centred_fir(x, taps))
    low, high = ([signal.butter(2, 5500.0, kind, fs=RATE, output="sos")] * 2 for kind in KINDS)
    if upper is None:
        return (
            lambda x: (
                naive.filtered(np.concatenate(low), x) + naive.filtered(np.concatenate(high), x)
            ),
            lambda x: naive.filtered(np.concatenate(high), x),
        )
    below, above = ([signal.butter(2, upper, kind, fs=RATE, output="sos")] * 2 for kind in KINDS)

    def summed(x):
        return sum(
            naive.filtered(np.concatenate(lower + higher), x)
            for lower in (low, high)
            for higher in (below, above)
        )

    return summed, lambda x: naive.filtered(np.concatenate(high + below), x)


KINDS = ("lowpass", "highpass")


@given(voices(), st.lists(st.tuples(st.floats(0, 0.06), st.floats(-40, 12)), min_size=1))
def test_ride_against_the_twin(x, points):
    times, firsts = np.unique([time for time, _ in points], return_index=True)
    gains = [points[k][1] for k in firsts]
    y, gain = whole(Ride(RATE, x.shape[1], times, gains), x)
    expected = naive.ride(len(x), RATE, times, gains)
    np.testing.assert_allclose(gain[:, 0], expected, rtol=0, atol=1e-11)
    np.testing.assert_allclose(y, x * 10 ** (expected[:, None] / 20), rtol=0, atol=CLOSE * 10)


@given(voices(), st.floats(-60.0, 24.0))
def test_gain_against_the_formula(x, gain):
    y, told = whole(Gain(x.shape[1], gain), x)
    np.testing.assert_allclose(y, x * 10 ** (gain / 20), rtol=1e-15)
    assert np.all(told == gain)
    np.testing.assert_array_equal(whole(Gain(x.shape[1], 0.0), x)[0], x)


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"ratio": 0.5}, "ratio=0.5 must be at least 1"),
        ({"knee": -1.0}, "knee=-1.0 must not be negative"),
        ({"detector": "loud"}, "detector='loud' must be one of peak, rms"),
        ({"window": -0.1}, "window=-0.1 must not be negative"),
        ({"attack": -0.1}, "seconds=-0.1 must not be negative"),
    ],
)
def test_faulty_settings_are_named(wrong, said):
    right = {
        "threshold": -20.0, "ratio": 2.0, "knee": 6.0, "attack": 0.01, "release": 0.1,
        "detector": "peak", "window": 0.005, "reduction_range": None, "linked": True,
    }  # fmt: skip
    with pytest.raises(ValueError, match=said):
        Reduction(RATE, 1, **(right | wrong))


@pytest.mark.parametrize(
    ("times", "gains", "said"),
    [
        ([], [], "as many of both"),
        ([0.0, 1.0], [0.0], "as many of both"),
        ([1.0, 1.0], [0.0, 1.0], "do not rise"),
    ],
)
def test_faulty_rides_are_named(times, gains, said):
    with pytest.raises(ValueError, match=said):
        Ride(RATE, 1, times, gains)
