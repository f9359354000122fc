"""Loudness against Recommendation ITU-R BS.1770-5 (11/2023) and EBU Tech 3341 (V4, 2023)."""

from __future__ import annotations

import numpy as np
import pytest

from chainkit.dsp.loudness import LoudnessMeter, channel_weights, gating_block, k_weighting

RATE = 48000
RATES = (44100, 48000, 88200, 96000, 192000)


def tones(*segments, rate=RATE, channels=2, frequency=1000.0):
    """Sines of (seconds, dBFS of the peak) one after the other; None is silence."""
    parts = []
    for seconds, level in segments:
        n = np.arange(round(seconds * rate))
        gain = 0.0 if level is None else 10.0 ** (level / 20.0)
        parts.append(gain * np.sin(2 * np.pi * frequency * n / rate))
    return np.repeat(np.concatenate(parts)[:, None], channels, axis=1)


def metered(x, rate=RATE):
    meter = LoudnessMeter(rate, x.shape[1])
    for start in range(0, len(x), 65536):
        meter.add(x[start : start + 65536])
    return meter


def response(sos, frequencies, rate):
    z = np.exp(-2j * np.pi * np.asarray(frequencies) / rate)
    whole = np.ones(len(z), dtype=complex)
    for b0, b1, b2, _, a1, a2 in sos:
        whole *= (b0 + b1 * z + b2 * z**2) / (1 + a1 * z + a2 * z**2)
    return 20 * np.log10(np.abs(whole))


def test_coefficients_at_48_khz():
    # BS.1770-5, Annex 1, Tables 1 and 2, printed to 14 decimals.
    shelf, highpass = k_weighting(RATE)
    expected = [1.53512485958697, -2.69169618940638, 1.19839281085285, 1.0]
    assert shelf == pytest.approx([*expected, -1.69065929318241, 0.73248077421585], abs=1e-14)
    expected = [1.0, -2.0, 1.0, 1.0, -1.99004745483398, 0.99007225036621]
    assert highpass == pytest.approx(expected, abs=1e-14)


@pytest.mark.parametrize("rate", RATES)
def test_other_rates_have_the_same_response(rate):
    # BS.1770-5, Annex 1: "other rates" are to have the same frequency response. The bilinear
    # transform bends the shelf by 0.0078 dB at most (largest at 192 kHz, near 2.7 kHz).
    frequencies = np.geomspace(20.0, 20000.0, 200)
    expected = response(k_weighting(RATE), frequencies, RATE)
    assert response(k_weighting(rate), frequencies, rate) == pytest.approx(expected, abs=0.01)


@pytest.mark.parametrize(
    ("rate", "tolerance"), [(8000, 0.04), (11025, 0.013), (16000, 0.003), (22050, 0.001)]
)
def test_low_rates_have_the_same_response(rate, tolerance):
    # The same sentence of BS.1770-5; EBU Tech 3341 leaves a meter 0.1 LU. The bilinear transform
    # would bend the shelf by 0.285, 0.147, 0.066 and 0.031 dB.
    frequencies = np.linspace(20.0, rate / 2.0, 500)
    expected = response(k_weighting(RATE), frequencies, RATE)
    found = response(k_weighting(rate), frequencies, rate)
    assert found == pytest.approx(expected, abs=tolerance)


@pytest.mark.parametrize("rate", [8000, 11025, 16000, 22050, 32000])
def test_a_tone_on_the_slope_of_the_shelf_at_low_rates(rate):
    # 2.4 kHz at −20 dBFS: BS.1770-5, equation 2, with the response of its tables at 48 kHz.
    x = tones((4, -20), rate=rate, channels=1, frequency=2400.0)
    expected = -0.691 + 10.0 * np.log10(0.005) + response(k_weighting(RATE), [2400.0], RATE)[0]
    assert metered(x, rate).integrated() == pytest.approx(expected, abs=0.04)


def test_channel_weights():
    # BS.1770-5, Annex 1, Table 3; the LFE is not measured.
    assert list(channel_weights(5)) == [1.0, 1.0, 1.0, 1.41, 1.41]
    assert list(channel_weights(6)) == [1.0, 1.0, 1.0, 0.0, 1.41, 1.41]
    assert list(channel_weights(1)) == [1.0]


@pytest.mark.parametrize(
    ("rate", "tolerance"), [(48000, 0.0005), (44100, 0.005), (96000, 0.005), (192000, 0.01)]
)
@pytest.mark.parametrize("channel", [0, 1, 2])
def test_full_scale_sine_in_one_front_channel(rate, tolerance, channel):
    # BS.1770-5, Annex 1: 0 dBFS at 997 Hz in left, centre or right reads −3.01 LKFS. Other rates
    # may be off by what the test above allows.
    x = np.zeros((2 * rate, 3))
    x[:, channel] = tones((2, 0), rate=rate, channels=1, frequency=997.0)[:, 0]
    assert metered(x, rate).integrated() == pytest.approx(-3.0103, abs=tolerance)


def test_each_channel_alone_is_a_mono_programme():
    # BS.1770-5, Annex 1: 0 dBFS at 997 Hz reads −3.01 LKFS in a front channel. By itself each
    # channel of 5.1 is one, without the weight of a surround and whatever else sounds; no LFE.
    for levels in ((-20, -26, -30, 0, -40, -50), (-26, -30, -40, 0, -20, -23)):
        tone = tones((2, 0), channels=1, frequency=997.0)
        meter = metered(tone * 10.0 ** (np.array(levels) / 20.0))
        assert meter.loudest_channel() == pytest.approx(-23.0103, abs=0.0005)
        assert meter.trim_loudest_to(-20.0) == pytest.approx(3.0103, abs=0.0005)
        assert meter.integrated() > -23.0
    assert metered(tones((2, None))).loudest_channel() is None
    assert metered(tones((2, None))).trim_loudest_to(-20.0) is None


def test_each_channel_alone_has_its_own_gates():
    """One that sounds for a tenth of the time is gated as by itself, not by what else sounds."""
    x = tones((10, -20), channels=2)
    x[RATE:, 1] = 0.0
    for weight in (0.5, 2.0):  # the louder, and the softer of both
        x[:RATE, 1] = weight * x[:RATE, 0]
        alone = max(metered(np.ascontiguousarray(x[:, [i]])).integrated() for i in (0, 1))
        assert metered(x).loudest_channel() == alone


# EBU Tech 3341, Table 1, cases 1 to 5: tolerance 0.1 LU; the last number is what the standard's
# formulas give exactly for the sine, worked out apart from this project.
STEADY = [
    ([(20, -23)], -23.0, -22.9933),
    ([(20, -33)], -33.0, -32.9933),
    ([(10, -36), (60, -23), (10, -36)], -23.0, -23.0139),
    ([(10, -72), (10, -36), (60, -23), (10, -36), (10, -72)], -23.0, -23.0139),
    ([(20, -26), (20.1, -20), (20, -26)], -23.0, -22.9787),
]


@pytest.mark.parametrize(("segments", "expected", "exact"), STEADY)
def test_integrated_loudness(segments, expected, exact):
    integrated = metered(tones(*segments)).integrated()
    assert integrated == pytest.approx(expected, abs=0.1)
    assert integrated == pytest.approx(exact, abs=0.002)


@pytest.mark.parametrize(("segments", "expected", "exact"), STEADY[:2])
def test_steady_tones_read_the_same_on_all_scales(segments, expected, exact):
    # EBU Tech 3341, Table 1, cases 1 and 2.
    meter = metered(tones(*segments))
    assert meter.momentary_max() == pytest.approx(expected, abs=0.1)
    assert meter.short_term_max() == pytest.approx(expected, abs=0.1)
    assert meter.short_term_max() == pytest.approx(exact, abs=0.002)


def test_five_channels():
    # EBU Tech 3341, Table 1, case 6.
    levels = np.array([-28, -28, -24, -30, -30])
    x = tones((20, 0), channels=5) * 10.0 ** (levels / 20.0)
    assert metered(x).integrated() == pytest.approx(-23.0, abs=0.1)
    assert metered(x).integrated() == pytest.approx(-23.0163, abs=0.002)


def test_short_term_of_a_changing_tone_is_constant():
    # EBU Tech 3341, Table 1, case 9: −23.0 ±0.1 from 3 s on.
    meter = metered(tones(*[(1.34, -20), (1.66, -30)] * 5))
    assert meter.short_term() == pytest.approx(-23.0, abs=0.1)
    assert meter.short_term_max() == pytest.approx(-22.9863, abs=0.005)


@pytest.mark.parametrize("i", range(20))
def test_greatest_short_term_wherever_the_tone_starts(i):
    # EBU Tech 3341, Table 1, case 10.
    meter = metered(tones((0.15 * i, None), (3, -23), (1, None)))
    assert meter.short_term_max() == pytest.approx(-23.0, abs=0.1)
    assert meter.short_term_max() == pytest.approx(-22.9933, abs=0.002)


def test_short_term_follows_a_live_programme():
    # EBU Tech 3341, Table 1, case 11: the greatest value of each burst in turn.
    meter = LoudnessMeter(RATE, 2)
    for i in range(20):
        meter.add(tones((0.15 * i, None), (3, -38 + i), (3 - 0.15 * i, None)))
        assert meter.short_term_max() == pytest.approx(-38 + i, abs=0.1)


def test_momentary_of_a_changing_tone_is_constant():
    # EBU Tech 3341, Table 1, case 12: −23.0 ±0.1 from 1 s on.
    meter = metered(tones(*[(0.18, -20), (0.22, -30)] * 25))
    assert meter.momentary()[6:] == pytest.approx(-23.0, abs=0.1)
    assert meter.momentary_max() == pytest.approx(-22.9604, abs=0.002)


@pytest.mark.parametrize("i", range(20))
def test_greatest_momentary_wherever_the_tone_starts(i):
    # EBU Tech 3341, Table 1, case 13; a step of 100 ms reads −23.45.
    meter = metered(tones((0.02 * i, None), (0.4, -23), (1, None)))
    assert meter.momentary_max() == pytest.approx(-23.0, abs=0.1)
    assert meter.momentary_max() == pytest.approx(-22.9936, abs=0.002)


def test_momentary_follows_a_live_programme():
    # EBU Tech 3341, Table 1, case 14.
    meter = LoudnessMeter(RATE, 2)
    for i in range(20):
        meter.add(tones((0.02 * i, None), (0.4, -38 + i), (0.4 - 0.02 * i, None)))
        assert meter.momentary_max() == pytest.approx(-38 + i, abs=0.1)


@pytest.mark.parametrize(
    ("segments", "expected", "exact"),
    [
        ([(0.5, None), (0.9, -19.9), (1.3, -7.1), (0.8, -19.9), (0.5, None)], -10.0, -10.0287),
        (
            [(0.8, None), (0.5, -69.481), (0.5, None), (0.5, -69.481), (0.5, None),
             (0.5, -69.481), (0.7, None)],
            -69.5, -69.4744,
        ),
    ],
)  # fmt: skip
def test_gates(segments, expected, exact):
    # Report ITU-R BS.2217, the compliance set's relative and absolute gate signals; a missing
    # relative gate reads −10.98, a missing absolute one −73.73.
    integrated = metered(tones(*segments)).integrated()
    assert integrated == pytest.approx(expected, abs=0.1)
    assert integrated == pytest.approx(exact, abs=0.002)


@pytest.mark.parametrize("gain", [-20.0, 6.0])
def test_gain_moves_every_figure_by_itself(rng, gain):
    # The relative gate moves along (BS.1770-5, Annex 1, equation 6).
    x = 0.1 * rng.standard_normal((5 * RATE, 2)) * np.linspace(0.2, 1.0, 5 * RATE)[:, None]
    before, after = metered(x), metered(10.0 ** (gain / 20.0) * x)
    assert after.integrated() - before.integrated() == pytest.approx(gain, abs=1e-9)
    assert after.momentary_max() - before.momentary_max() == pytest.approx(gain, abs=1e-9)
    assert after.short_term_max() - before.short_term_max() == pytest.approx(gain, abs=1e-9)
    assert after.range() == pytest.approx(before.range(), abs=1e-9)


@pytest.mark.parametrize("level", [-69.9, -45.0])
def test_trim_brings_a_steady_tone_to_a_level(level):
    # A stereo sine of 1 kHz reads its peak level and 0.0067 LU, as in case 1 of Tech 3341.
    meter = metered(tones((4, level - 0.0067)))
    assert meter.trim_to(-20.0) == pytest.approx(-20.0 - level, abs=0.0005)


def test_what_the_absolute_gate_takes_for_silence_is_not_trimmed():
    # BS.1770-5, Annex 1, equation 4. A trim would make the noise of an empty take as loud as songs.
    assert metered(tones((4, -70.1))).trim_to(-20.0) is None


@pytest.mark.parametrize("gain", [0.0, 40.0])
def test_trim_brings_what_comes_and_goes_to_a_level(gain):
    """What is gated counts neither way, whatever the level at which it was recorded.

    At its own level the second half lies below the absolute gate, and trimmed above it.
    """
    segments = [(4, -64.0), (4, -72.0), (4, -90.0)]
    x = tones(*[(seconds, level + gain) for seconds, level in segments])
    trim = metered(x).trim_to(-20.0)
    assert metered(10.0 ** (trim / 20.0) * x).integrated() == pytest.approx(-20.0, abs=1e-6)
    assert trim == pytest.approx(metered(10.0 * x).trim_to(-20.0) + 20.0, abs=1e-6)


@pytest.mark.parametrize("rate", [8001, 11025, 22050, 44056, 44100, 47999, 48000, 176400])
def test_loudness_begins_with_a_whole_gating_block(rng, rate):
    # BS.1770-5, Annex 1: 400 ms, rounded to a whole number of samples (from memory).
    frames = gating_block(rate)
    assert abs(frames - 0.4 * rate) <= 0.5
    x = 0.1 * rng.standard_normal((frames, 1))
    assert metered(x, rate).integrated() is not None
    assert metered(x[:-1], rate).integrated() is None


def test_loudness_that_does_not_exist():
    silent = metered(np.zeros((5 * RATE, 2)))
    assert silent.integrated() is None
    assert silent.momentary_max() is None
    assert silent.short_term_max() is None
    assert silent.range() is None
    # Shorter than one gating block of 400 ms, than the short-term window of 3 s.
    assert metered(tones((0.39, -20))).integrated() is None
    assert metered(tones((2.9, -20))).short_term_max() is None
