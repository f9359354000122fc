"""The compressor against published curves, time constants and ways of measuring them.

Sources: D. Giannoulis, M. Massberg, J. D. Reiss, "Digital Dynamic Range Compressor Design - A
Tutorial and Analysis", J. Audio Eng. Soc. 60(6), 2012, pp. 399-408 (static curve, one-pole
coefficient, smooth branching detector; from memory); ANSI S3.22 and IEC 60118-2 for how attack and
release are measured. Numbers without another source were worked out from these formulas.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from signals import sine, square

from chainkit.dsp import kernels
from chainkit.dsp.dynamics import Compressor, smoothing, static_gain

RATE = 48000
PLAIN = {
    "threshold": -20.0, "ratio": 4.0, "knee": 0.0, "attack": 0.010, "release": 0.120,
    "lookahead": 0.0, "detector": "peak", "window": 0.0, "sidechain_highpass": None,
    "reduction_range": None, "makeup": 0.0, "mix": 1.0, "link": True,
}  # fmt: skip


def compressed(x, **settings):
    """Output and gain in dB of a compressor that is `PLAIN` but for `settings`."""
    run = Compressor(RATE, x.shape[1], **(PLAIN | settings))
    first, last = run.process(x), run.finish()
    return np.concatenate((first[0], last[0])), np.concatenate((first[1], last[1]))


def steps(*parts: tuple[float, float]) -> np.ndarray:
    """Constant magnitudes one after another: (dBFS, seconds)."""
    return np.concatenate([square(level, round(RATE * seconds)) for level, seconds in parts])


# ----------------------------------------------------------------------------------- static curve
CURVES = [(-20, 4, 0), (-20, 4, 6), (-20, 3, 6), (-24, 2, 12), (-18, 8, 10), (-10, math.inf, 0),
          (-10, math.inf, 8), (-34, 4, 6)]  # fmt: skip
"""Threshold, ratio, knee of the columns below."""

CURVE_TABLE = """
-60 -60      -60      -60        -60        -60       -60 -60    -60
-34 -34      -34      -34        -34        -34       -34 -34    -34.5625
-31 -31      -31      -31        -31        -31       -31 -31    -33.25
-26 -26      -26      -26        -26.333333 -26       -26 -26    -32
-24 -24      -24      -24        -24.75     -24       -24 -24    -31.5
-23 -23      -23      -23        -24.020833 -23       -23 -23    -31.25
-22 -22      -22.0625 -22.055556 -23.333333 -22.04375 -22 -22    -31
-20 -20      -20.5625 -20.5      -22.083333 -20.39375 -20 -20    -30.5
-18 -19.5    -19.5625 -19.388889 -21        -19.09375 -18 -18    -30
-17 -19.25   -19.25   -19        -20.5      -18.575   -17 -17    -29.75
-15 -18.75   -18.75   -18.333333 -19.5      -17.8     -15 -15    -29.25
-14 -18.5    -18.5    -18        -19        -17.54375 -14 -14    -29
-12 -18      -18      -17.333333 -18        -17.25    -12 -12.25 -28.5
-10 -17.5    -17.5    -16.666667 -17        -17       -10 -11    -28
-6  -16.5    -16.5    -15.333333 -15        -16.5     -10 -10    -27
-3  -15.75   -15.75   -14.333333 -13.5      -16.125   -10 -10    -26.25
0   -15      -15      -13.333333 -12        -15.75    -10 -10    -25.5
"""
"""Input level, then the output level for each curve, in dBFS."""

TABLE = np.array([line.split() for line in CURVE_TABLE.split("\n") if line], dtype=float)


@pytest.mark.parametrize("column", range(len(CURVES)))
def test_static_curve_has_the_published_values(column):
    levels, outputs = TABLE[:, 0], TABLE[:, 1 + column]
    made = levels + static_gain(levels, *CURVES[column])
    np.testing.assert_allclose(made, outputs, rtol=0, atol=6e-7)


@pytest.mark.parametrize("column", range(len(CURVES)))
def test_steady_squares_come_out_at_the_published_levels(column):
    threshold, ratio, knee = CURVES[column]
    for level, output in zip(TABLE[:, 0], TABLE[:, 1 + column], strict=True):
        settings = {"threshold": threshold, "ratio": ratio, "knee": knee, "attack": 0.0}
        y, _ = compressed(square(level, 64), **settings)
        assert 20 * np.log10(abs(y[-1, 0])) == pytest.approx(output, abs=1e-6)


@pytest.mark.parametrize("ratio", [1.0, 1.5, 4.0, 20.0, math.inf])
@pytest.mark.parametrize("knee", [0.0, 6.0, 24.0])
@pytest.mark.parametrize("detector", ["peak", "rms"])
def test_steady_squares_follow_the_curve(ratio, knee, detector):
    """Giannoulis et al. 2012; within 0.001 dB from -80 to 0 dBFS, attack and release in play."""
    levels = np.arange(-80.0, 0.1, 8.0)
    x = steps(*[(level, 0.02) for level in levels])
    y, _ = compressed(
        x, ratio=ratio, knee=knee, detector=detector, window=0.002, attack=0.0005, release=0.0005
    )
    made = 20 * np.log10(abs(y[959::960, 0]))
    slope = 1 / ratio - 1
    over = levels + 20.0
    inside = slope * (over + knee / 2) ** 2 / (2 * max(knee, 1e-9))
    curve = np.where(2 * abs(over) <= knee, inside, np.where(over > 0, slope * over, 0.0))
    np.testing.assert_allclose(made, levels + curve, rtol=0, atol=0.001)


@pytest.mark.parametrize("level", [-40.0, -21.0, -12.0, 0.0])
@pytest.mark.parametrize(("detector", "reads"), [("peak", 0.0), ("rms", -3.0103)])
def test_steady_sines_follow_the_curve(level, detector, reads):
    """Within 0.05 dB at 1 kHz, whose half period fits in the window of 5 ms ten times."""
    x = sine(1000.0, level, 0.4)
    y, gain = compressed(x, knee=6.0, detector=detector, window=0.005)
    expected = static_gain([level + reads], -20.0, 4.0, 6.0)[0]
    late = gain[-4800:, 0]
    assert np.abs(late - expected).max() < 0.05
    rms = 10 * np.log10(np.mean(y[-4800:] ** 2) / np.mean(x[-4800:] ** 2))
    assert rms == pytest.approx(expected, abs=0.05)


# ----------------------------------------------------------------------------------- time constants
@pytest.mark.parametrize(
    ("milliseconds", "at_48000", "at_44100"),
    [
        (0.1, 0.811936346150635, 0.797114162945813),
        (1, 0.97938218133124, 0.977579425259153),
        (5, 0.99584200184511, 0.995475120860101),
        (10, 0.997918835299299, 0.99773499530692),
        (60, 0.999652838052437, 0.999622142456792),
        (120, 0.999826403958426, 0.999811053377983),
        (200, 0.999895838758492, 0.999886627742313),
        (1000, 0.999979166883679, 0.999977324520131),
    ],
)
def test_one_pole_coefficients(milliseconds, at_48000, at_44100):
    """exp(-1/(tau rate)), Giannoulis et al. 2012."""
    assert smoothing(milliseconds / 1000, 48000) == pytest.approx(at_48000, abs=1e-14)
    assert smoothing(milliseconds / 1000, 44100) == pytest.approx(at_44100, abs=1e-14)


def test_no_time_is_no_smoothing():
    assert smoothing(0.0, 48000) == 0.0


def test_detector_is_the_smooth_branching_one():
    """Giannoulis et al. 2012; exact binary fractions, attack 0.5, release 0.75, gain in dB.

    Other detectors of the paper end in 2.607, 0.934 and 1.623 instead.
    """
    targets = -np.array([0.0, 8, 8, 8, 2, 2, 2, 2, 2, 0, 0])
    expected = [0, 4, 6, 7, 5.75, 4.8125, 4.109375, 3.58203125, 3.1865234375, 2.389892578125,
                1.79241943359375]  # fmt: skip
    made = np.empty(11)
    kernels.smooth(targets, 0.5, 0.75, 0, np.zeros(2), made)
    np.testing.assert_array_equal(-made, expected)


STEP_UP = {1: 0.999207, 5: 4.131428, 10: 6.637266, 20: 9.078980, 30: 9.977236, 50: 10.429252,
           100: 10.499523}  # fmt: skip
STEP_DOWN = {12: 9.500793, 60: 6.368572, 120: 3.862734, 240: 1.421020, 480: 0.192314}
"""Milliseconds after the step to reduction in dB; from -30 to -6 dBFS and back, 10.5 dB."""


def test_step_goes_as_published():
    """10.5 dB (1 - exp(-t / 10 ms)) up and 10.5 dB exp(-t / 120 ms) back, Giannoulis et al. 2012.

    The first louder frame is the first update: after t the gain is that of frame t - 1.
    """
    _, gain = compressed(steps((-30, 0.1), (-6, 0.3), (-30, 0.5)))
    reduction = -gain[:, 0]
    rise, fall = round(0.1 * RATE), round(0.4 * RATE)
    for milliseconds, expected in STEP_UP.items():
        assert reduction[rise + 48 * milliseconds - 1] == pytest.approx(expected, abs=2e-6)
    for milliseconds, expected in STEP_DOWN.items():
        assert reduction[fall + 48 * milliseconds - 1] == pytest.approx(expected, abs=2e-6)


@pytest.mark.parametrize(("attack", "release"), [(0.001, 0.02), (0.01, 0.12), (0.03, 0.005)])
def test_time_constants_within_one_percent(attack, release):
    """The time to 1 - 1/e of a step (SEG Wiki, "AGC time constant"); release may be quicker."""
    quiet, loud = 0.01, 12 * attack
    _, gain = compressed(
        steps((-30, quiet), (-6, loud), (-30, 4 * release)), attack=attack, release=release
    )
    reduction = -gain[:, 0]
    rise, fall = round(quiet * RATE), round((quiet + loud) * RATE)
    up = np.argmax(reduction[rise:] >= 10.5 * (1 - math.exp(-1))) + 1
    down = np.argmax(reduction[fall:] <= 10.5 * math.exp(-1)) + 1
    assert up / RATE == pytest.approx(attack, rel=0.01, abs=1 / RATE)
    assert down / RATE == pytest.approx(release, rel=0.01, abs=1 / RATE)


@pytest.mark.parametrize("window", [0.005, 0.02])
def test_a_peak_window_holds_so_that_a_release_sets_in_later(window):
    """The design's detector: the greatest magnitude of the window, which the last peak stays in."""
    _, gain = compressed(
        steps((-30, 0.01), (-6, 0.2), (-30, 0.1)), attack=0.001, release=0.02, window=window
    )
    down = np.argmax(-gain[round(0.21 * RATE) :, 0] <= 10.5 * math.exp(-1)) + 1
    assert down / RATE == pytest.approx(window + 0.02, abs=2 / RATE)


# ----------------------------------------------------- attack and release as standards measure them
@pytest.mark.parametrize(
    ("ratio", "attack_taus", "release_taus"),
    [
        (1.5, 1.35812, 1.07044),
        (2, 1.76359, 1.47591),
        (4, 2.16905, 1.88137),
        (8, 2.32320, 2.03552),
        (math.inf, 2.45674, 2.16905),
    ],
)
def test_attack_and_release_as_ansi_s3_22_measures(ratio, attack_taus, release_taus):
    """ANSI S3.22: 35 dB up until within 3 dB of the steady level, down until within 4 dB."""
    up, down = settling(ratio, low=-45.0, high=-10.0, within=(3.0, 4.0))
    assert up == pytest.approx(attack_taus * 0.010 * RATE, abs=1.01)
    assert down == pytest.approx(release_taus * 0.120 * RATE, abs=1.01)


@pytest.mark.parametrize(
    ("ratio", "taus"), [(1.5, 1.42712), (2, 1.83258), (4, 2.23805), (math.inf, 2.52573)]
)
def test_attack_and_release_as_iec_60118_2_measures(ratio, taus):
    """IEC 60118-2: 25 dB up and down until within 2 dB of the steady level."""
    up, down = settling(ratio, low=-35.0, high=-10.0, within=(2.0, 2.0))
    assert up == pytest.approx(taus * 0.010 * RATE, abs=1.01)
    assert down == pytest.approx(taus * 0.120 * RATE, abs=1.01)


def settling(ratio, *, low, high, within):
    """Frames until the output is within so many dB of steady, after a step up and one down."""
    x = steps((low, 0.15), (high, 0.25), (low, 0.6))
    y, _ = compressed(x, ratio=ratio, threshold=-50.0)
    level = 20 * np.log10(abs(y[:, 0]))
    rise, fall = round(0.15 * RATE), round(0.4 * RATE)
    steady = [v - 50.0 * 0 + static_gain([v], -50.0, ratio, 0.0)[0] for v in (high, low)]
    up = np.argmax(abs(level[rise:fall] - steady[0]) <= within[0])
    down = np.argmax(abs(level[fall:] - steady[1]) <= within[1])
    return up + 1, down + 1


# --------------------------------------------------------------------------- what else it promises
def test_link_keeps_the_image(rng):
    """One gain for both channels, that of the louder one; a mono voice on both fares as in mono."""
    x = rng.uniform(-0.5, 0.5, (4000, 1)) * [1.0, 0.25]
    y, gain = compressed(x, window=0.005)
    assert gain.shape == (4000, 1)
    assert gain.min() < -3
    np.testing.assert_allclose(y, x * 10 ** (gain / 20), rtol=1e-12)
    for detector in ("peak", "rms"):
        mono = compressed(x[:, :1], window=0.005, detector=detector)[1]
        for pair in (x, x[:, [0, 0]], x[:, ::-1].copy()):
            gain = compressed(pair, window=0.005, detector=detector)[1]
            np.testing.assert_array_equal(gain, mono)


def test_unlinked_channels_are_strangers(rng):
    x = rng.uniform(-0.5, 0.5, (3000, 3)) * [1.0, 0.25, 0.02]
    y, gain = compressed(x, link=False, window=0.005)
    for channel in range(3):
        alone, alone_gain = compressed(x[:, [channel]], window=0.005)
        np.testing.assert_array_equal(y[:, [channel]], alone)
        np.testing.assert_array_equal(gain[:, [channel]], alone_gain)


@pytest.mark.parametrize("detector", ["peak", "rms"])
def test_lookahead_moves_the_gain_by_its_frames(rng, detector):
    x = rng.uniform(-0.5, 0.5, (4000, 2))
    late = compressed(x, detector=detector, window=0.005)[1]
    early = compressed(x, detector=detector, window=0.005, lookahead=0.0015)[1]
    assert len(early) == 4000
    np.testing.assert_array_equal(early[: 4000 - 72], late[72:])


def test_range_bounds_the_reduction():
    _, gain = compressed(square(0.0, 9600), reduction_range=6.0)
    assert gain.min() == -6.0
    assert compressed(square(0.0, 9600), reduction_range=0.0)[1].any() == np.False_


def test_makeup_and_mix():
    """The makeup is in the compressed part, the rest is the input: (1 - mix) + mix g makeup."""
    x = square(-8.0, 9600)
    y, gain = compressed(x, makeup=6.0, mix=0.25)
    part = 0.75 + 0.25 * 10 ** ((-9.0 + 6.0) / 20)
    assert gain[-1, 0] == pytest.approx(20 * math.log10(part), abs=1e-6)
    assert y[-1, 0] == pytest.approx(x[-1, 0] * part, rel=1e-7)
    run = Compressor(RATE, 1, **(PLAIN | {"makeup": 6.0, "mix": 0.25}))
    assert run.idle_db == pytest.approx(20 * math.log10(0.75 + 0.25 * 10**0.3), abs=1e-12)
    assert Compressor(RATE, 1, **(PLAIN | {"makeup": 6.0})).idle_db == 6.0


def test_sidechain_highpass_spares_low_notes():
    """A second-order Butterworth at 200 Hz passes 40.0 dB less at 20 Hz (12 dB an octave)."""
    low, high = (
        compressed(sine(frequency, -6.0, 0.5), sidechain_highpass=200.0, window=0.03)[1][-1, 0]
        for frequency in (20.0, 4000.0)
    )
    assert low == 0.0
    assert high == pytest.approx(-10.5, abs=0.05)


def test_idle_is_the_identity(rng):
    x = rng.uniform(-0.05, 0.05, (3000, 2))
    x[7:9] = [[-0.0, 5e-324], [-1e-310, 0.0]]
    y, gain = compressed(x, knee=6.0)
    assert y.tobytes() == x.tobytes()
    assert not gain.any()


def test_gain_settles_at_zero():
    """After the last loud frame the gain comes back to 0 dB itself: idle again, bit for bit."""
    x = np.concatenate((square(0.0, 480), np.zeros((20_000, 1)), square(-40.0, 480)))
    y, gain = compressed(x, release=0.005)
    assert gain[400, 0] < -5
    assert not gain[-480:].any()
    np.testing.assert_array_equal(y[-480:], x[-480:])


@pytest.mark.parametrize("mix", [-0.1, 1.1])
def test_mix_out_of_range_is_named(mix):
    with pytest.raises(ValueError, match=f"mix={mix} must be between 0 and 1"):
        Compressor(RATE, 1, **(PLAIN | {"mix": mix}))
