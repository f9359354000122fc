"""Rides over the invented voice, judged by its ground truth and by a loudness meter of our own.

The meter below is written from the tables of Rec. ITU-R BS.1770-5 (11/2023), Annex 1, and shares
no code with chainkit; it holds at 48 kHz only.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
import soundfile
from data.voices import arctic, or_skip
from hypothesis import given
from hypothesis import strategies as st
from scipy.signal import lfilter

from chainkit.dsp import phrases, riding
from chainkit.dsp.backing import accompany
from chainkit.dsp.dynamics import Compressor
from chainkit.dsp.phrases import HopMeter, PhraseMeter, Phrasing, Stretch
from chainkit.dsp.polyline import simplify
from chainkit.dsp.riding import RideSettings
from chainkit.dsp.voice import sing
from chainkit.dsp.voicing import VoicingMeter
from chainkit.rides import find_rides

RATE = 48000
SONGS = [("low", 4), ("high", 3), ("high", 5)]

# Rec. ITU-R BS.1770-5, Annex 1, Table 1 (shelf) and Table 2 (high-pass).
SHELF = (
    [1.53512485958697, -2.69169618940638, 1.19839281085285],
    [1.0, -1.69065929318241, 0.73248077421585],
)
HIGHPASS = ([1.0, -2.0, 1.0], [1.0, -1.99004745483398, 0.99007225036621])


def weighted(x):
    return lfilter(*HIGHPASS, lfilter(*SHELF, x, axis=0), axis=0)


def loudness(weighted_signal, span):
    part = weighted_signal[round(span.start * RATE) : round(span.end * RATE)]
    return -0.691 + 10 * np.log10((part**2).mean(axis=0).sum())


@cache
def song(register, seed):
    return sing(RATE, seconds=22.0, register=register, seed=seed)


@cache
def hops(register, seed):
    return heard(song(register, seed).voice)


def heard(x, rate=RATE):
    meter = PhraseMeter(rate, x.shape[1])
    meter.add(x)
    return meter.finish()


@cache
def swelling(seed):
    meter = HopMeter(RATE, 2)
    meter.add(accompany(RATE, 22.0, seed).audio)
    return meter.finish()


def ridden(found, settings, backing=None):
    under = np.zeros(len(found.power)) if backing is None else backing
    return riding.ride(found.power, under, phrases.find(found), settings)


def edges(phrasing):
    return [knot / 100 for phrase in phrasing.phrases for knot in (phrase.start, phrase.stop)]


def true_edges(truth):
    return [time for phrase in truth.phrases for time in (phrase.start, phrase.end)]


def gain_of(moves, frames, rate=RATE):
    """The drawn gain in dB of each frame."""
    points = np.array(moves.knots) / 100
    return np.interp(np.arange(frames) / rate, points, moves.curve[moves.knots])


# ---------------------------------------------------------------------------------- phrases
@pytest.mark.parametrize(("register", "seed"), SONGS)
def test_phrases_and_breaths_are_found_where_they_are(register, seed):
    truth, found = song(register, seed), phrases.find(hops(register, seed))
    assert edges(found) == pytest.approx(true_edges(truth), abs=0.16)
    assert len(found.breaths) == len(truth.breaths)
    for breath, there in zip(truth.breaths, found.breaths, strict=True):
        assert there.start / 100 <= breath.start + 0.02
        assert there.stop / 100 >= breath.end - 0.02


@pytest.mark.parametrize(
    ("frequency", "level"), [(1000.0, -40.0), (3300.0, -50.0), (8000.0, -40.0)]
)
def test_a_steady_tone_hides_no_breath(tmp_path, frequency, level):
    x = song("low", 4).voice
    found = []
    for name, tone in (("clean", 0.0), ("whistle", 10 ** (level / 20))):
        time = np.arange(len(x))[:, None] / RATE
        soundfile.write(
            tmp_path / f"{name}.wav",
            x + tone * np.sin(2 * np.pi * frequency * time),
            RATE,
            "PCM_24",
        )
        found.append(find_rides(tmp_path / f"{name}.wav"))
    clean, whistle = found
    assert len(clean.breaths) > 2
    np.testing.assert_allclose(whistle.breaths, clean.breaths, atol=0.05)
    assert len(whistle.phrases) == len(clean.phrases)


def test_a_steady_tone_behind_a_minute_of_digital_silence_hides_no_breath(tmp_path):
    """Nothing is heard in silence, so the minute that is looked at begins behind it."""
    rate = 16000
    x = sing(rate, seconds=14.0, seed=4, floor=-120.0).voice
    whistle = 10 ** (-45 / 20) * np.sin(2 * np.pi * 3300.0 * np.arange(len(x))[:, None] / rate)
    found = []
    for name, audio in (("clean", x), ("whistling", x + whistle)):
        late = np.pad(audio, ((62 * rate, 0), (0, 0)))
        soundfile.write(tmp_path / f"{name}.wav", late, rate, "PCM_24")
        found.append(find_rides(tmp_path / f"{name}.wav").breaths)
    clean, whistling = found
    assert clean
    np.testing.assert_allclose(whistling, clean, atol=0.05)


@pytest.mark.parametrize("seed", [3, 4])
def test_digital_silence_at_the_ends_moves_nothing(rng, seed):
    """As a recording has it that was exported from the beginning of its song to the end."""
    rate = 16000
    x = sing(rate, seconds=14.0, seed=seed).voice
    x += 10 ** (-60 / 20) * rng.standard_normal(x.shape)
    found = phrases.find(heard(x, rate))
    late = phrases.find(heard(np.pad(x, ((30 * rate, 20 * rate), (0, 0))), rate))
    assert found.breaths
    for name in ("phrases", "breaths", "others"):
        spans, moved = (
            np.array([(one.start, one.stop) for one in getattr(which, name)]).reshape(-1, 2)
            for which in (found, late)
        )
        np.testing.assert_allclose(moved - 3000, spans, atol=1)


def around(level_db, sound):
    """What is found when noise of these levels, one a hop, lies 10 ms behind a sung tone."""
    noise_db = np.full(len(sound) + 50, -90.0)
    noise_db[: len(sound)] = sound
    power = 10 ** (np.concatenate([np.full(80, -90.0), np.full(100, level_db), noise_db]) / 10)
    voicing = np.zeros(len(power))
    voicing[80:180] = 1.0
    return phrases.find(phrases.Hops(power, 0.1 * power, voicing))


def test_a_short_weak_sound_belongs_to_the_phrase_that_it_touches():
    found = around(-20.0, np.full(8, -38.0))
    assert not found.breaths
    assert found.phrases[0].stop >= 188


@given(st.data())
def test_whatever_sounds_phrases_and_breaths_do_not_overlap(data):
    """Stretches of singing, weak sound and silence of any length; a gap has room for a move."""
    lengths = data.draw(st.lists(st.integers(1, 60), min_size=1, max_size=20))
    levels = data.draw(
        st.lists(
            st.sampled_from([-15.0, -20.0, -40.0, -55.0, -90.0]),
            min_size=len(lengths),
            max_size=len(lengths),
        )
    )
    power = 10 ** (np.repeat(levels, lengths) / 10)
    found = phrases.find(phrases.Hops(power, 0.1 * power, (power > 1e-3).astype(float)))
    for one, following in zip(found.phrases, found.phrases[1:], strict=False):
        assert following.start - one.stop >= phrases.HOLE
    for breath in found.breaths:
        assert breath.stop > breath.start
        assert all(breath.stop <= p.start or p.stop <= breath.start for p in found.phrases)


def test_what_dies_away_behind_a_phrase_is_no_breath():
    """A room that decays by 60 dB a second."""
    assert not around(-20.0, -36.0 - 0.6 * np.arange(80)).breaths


def test_a_breath_that_grows_into_its_phrase_is_found():
    sound = np.concatenate([np.full(20, -90.0), np.linspace(-60, -44, 30), np.full(70, -20.0)])
    sound[50:60] = -44.0
    (breath,) = around(-20.0, sound).breaths
    assert (breath.start, breath.stop) == (pytest.approx(200, abs=4), pytest.approx(240, abs=4))


@pytest.mark.parametrize(("hops", "breaths"), [(110, 1), (130, 0)])
def test_a_breath_lasts_1_2_s_at_most(hops, breaths):
    """Longer unvoiced sound is neither breath nor phrase, and is named."""
    found = around(-20.0, np.full(hops, -40.0))
    assert (len(found.breaths), len(found.others)) == (breaths, 1 - breaths)


def test_a_breath_in_what_dies_away_begins_where_it_rises():
    """Or, since that is where falling ends, by the shortest breath's 120 ms ahead."""
    sound = np.maximum(-36.0 - 0.6 * np.arange(80), -90.0)
    sound[40:70] = -42.0
    (breath,) = around(-20.0, sound).breaths
    assert (breath.start, breath.stop) == (pytest.approx(214, abs=8), pytest.approx(250, abs=3))


def test_a_breath_that_touches_its_phrases_without_a_dip_is_found():
    sound = np.concatenate([np.full(40, -42.0), np.full(60, -20.0)])
    (breath,) = around(-20.0, sound).breaths
    assert (breath.start, breath.stop) == (pytest.approx(180, abs=4), pytest.approx(220, abs=4))


@pytest.mark.parametrize(("register", "seed"), [("low", 1), ("high", 5)])
@pytest.mark.parametrize("softer", [8.0, 14.0, 20.0])
def test_quiet_phrases_are_no_breaths(register, seed, softer):
    """A verse sung softer than the chorus behind it, in the same room."""
    sung = sing(16000, seconds=14.0, register=register, seed=seed, floor=-120.0)
    room = 10 ** (-75 / 20) * np.random.default_rng(seed).standard_normal((28 * 16000, 1))
    verse = 10 ** (-softer / 20) * sung.voice
    found = phrases.find(heard(np.concatenate([verse, sung.voice]) + room, 16000))
    inside = np.zeros(2800, dtype=bool)
    for phrase in found.phrases:
        inside[phrase.start : phrase.stop] = True
    loudest = max(phrase.level_db for phrase in sung.phrases)
    for phrase in sung.phrases:
        if phrase.level_db - softer > loudest - 25.0:
            assert inside[round(100 * phrase.start) : round(100 * phrase.end)].mean() > 0.9
    for breath in sung.breaths:
        assert not inside[round(100 * breath.start) : round(100 * breath.end)].any()


def test_a_long_noise_in_a_gap_is_neither_phrase_nor_breath():
    found = around(-20.0, np.full(200, -40.0))
    assert len(found.phrases) == 1
    assert not found.breaths
    assert found.others == found.spared
    assert len(found.others) == 1


@pytest.mark.parametrize("rate", [8000, 22050, 96000])
def test_phrases_do_not_depend_on_the_sample_rate(rate):
    truth = sing(rate, seconds=12.0, seed=4)
    found = phrases.find(heard(truth.voice, rate))
    assert edges(found) == pytest.approx(true_edges(truth), abs=0.16)


def test_hops_do_not_depend_on_blocks_bit_for_bit(rng):
    x = 0.1 * rng.standard_normal((13 * 441 + 7, 2))
    whole = heard(x, 44100)
    for size in (1, 17, 509, 4096):
        meter = PhraseMeter(44100, 2)
        for start in range(0, len(x), size):
            meter.add(np.ascontiguousarray(x[start : start + size]))
        parts = meter.finish()
        np.testing.assert_array_equal(parts.power, whole.power)
        np.testing.assert_array_equal(parts.hiss, whole.hiss)
        np.testing.assert_array_equal(parts.voicing, whole.voicing)


@pytest.mark.parametrize("rate", [44100, 22050, 48000])
def test_hop_power_is_the_weighted_mean_square(rng, rate):
    x = rng.standard_normal((rate, 1))
    unweighted = HopMeter(rate, 1, np.array([[1.0, 0.0, 0.0, 1.0, 0.0, 0.0]]))
    unweighted.add(x)
    starts = [int(np.floor(k * rate / 100 + 0.5)) for k in range(101)]
    expected = [np.mean(x[a:b] ** 2) for a, b in zip(starts, starts[1:], strict=False)]
    np.testing.assert_allclose(unweighted.finish(), expected, rtol=1e-12)


@pytest.mark.parametrize("frequency", [70.0, 220.0, 1000.0])
def test_harmonic_sound_is_voiced(frequency):
    t = np.arange(RATE) / RATE
    x = sum(np.sin(2 * np.pi * k * frequency * t) / k for k in range(1, 6))
    assert voicing(x).min() > 0.9


def test_noise_and_rumble_are_not_voiced(rng):
    white = rng.standard_normal(4 * RATE)
    rumble = lfilter([1.0], [1.0, -0.999], white)
    for noise in (white, rumble):
        smooth = phrases.smoothed(voicing(noise), phrases.SMOOTHING)
        assert np.mean(smooth > phrases.PERIODIC) < 0.02


def voicing(x):
    meter = VoicingMeter(RATE, 1)
    meter.add(np.ascontiguousarray(x[:, None]))
    return meter.finish(len(x) // 480)[5:-5]


# ------------------------------------------------------------------------------------ rides
@pytest.mark.parametrize(("register", "seed"), SONGS)
@pytest.mark.parametrize("amount", [0.3, 0.6, 1.0])
def test_spread_of_phrases_falls_by_the_share(register, seed, amount):
    voice, found = song(register, seed), hops(register, seed)
    moves = ridden(found, RideSettings(amount, 0.0, 12.0))
    gain = 10 ** (gain_of(moves, len(voice.voice)) / 20)
    before = [loudness(weighted(voice.voice), phrase) for phrase in voice.phrases]
    after = [loudness(weighted(voice.voice * gain[:, None]), phrase) for phrase in voice.phrases]
    assert 1 - np.std(after) / np.std(before) == pytest.approx(amount, abs=0.1)


@pytest.mark.parametrize(("register", "seed"), SONGS)
@pytest.mark.parametrize("amount", [0.6, 1.0])
def test_breaths_are_not_lifted(register, seed, amount):
    voice = song(register, seed)
    gain = gain_of(ridden(hops(register, seed), RideSettings(amount, 0.0, 12.0)), len(voice.voice))
    for breath in voice.breaths:
        span = slice(round(breath.start * RATE), round(breath.end * RATE))
        assert gain[span].max() <= 0.5


@pytest.mark.parametrize(("register", "seed"), SONGS)
def test_room_and_bleed_between_phrases_are_not_lifted(register, seed):
    voice, hats = song(register, seed), accompany(RATE, 22.0, seed).hats.mean(axis=1, keepdims=True)
    bleed = 10 ** (-30 / 20) * hats * np.std(voice.voice) / np.std(hats)
    moves = ridden(heard(voice.voice + bleed), RideSettings(1.0, 0.0, 12.0))
    gain = gain_of(moves, len(voice.voice))
    ends = [0.0, *(t for p in voice.phrases for t in (p.start, p.end)), 22.0]
    for start, end in zip(ends[::2], ends[1::2], strict=True):
        # Moves take up to 0.2 s behind and 0.16 s ahead of a phrase, which may be found early.
        still = gain[round((start + 0.3) * RATE) : round((end - 0.2) * RATE)]
        assert still.max(initial=0.0) <= 0.5


# Faster level moves than about 80 dB a second are heard as steps (common practice, no source).
FASTEST = 80.0
UNHEARD = 310.0  # dB a second: what silence hides


@pytest.mark.parametrize(("register", "seed"), [*SONGS, ("high", 103)])
@pytest.mark.parametrize(("amount", "reach"), [(0.6, 6.0), (1.0, 12.0)])
def test_no_move_is_a_step_but_in_silence(register, seed, amount, reach):
    found = hops(register, seed)
    steps = np.abs(np.diff(ridden(found, RideSettings(amount, 0.0, reach)).drawn)) * 100
    level = 10 * np.log10(found.power)
    assert steps.max() <= UNHEARD
    # Where a move ends in the very hop in which the phrase begins, the hop before is silent.
    silent = np.minimum(level, np.roll(level, 1)) < np.percentile(level, 5) + 12
    assert steps[~silent].max() <= FASTEST


@pytest.mark.parametrize(("register", "seed"), SONGS)
@pytest.mark.parametrize("settings", [RideSettings(0.6, 0.0, 6.0), RideSettings(1.0, 1.0, 12.0)])
def test_a_phrase_is_lifted_from_beginning_to_end(register, seed, settings):
    voice = song(register, seed)
    under = swelling(seed) if settings.follow else None
    gain = gain_of(ridden(hops(register, seed), settings, under), len(voice.voice))
    for phrase in voice.phrases:
        inside = gain[round(phrase.start * RATE) : round(phrase.end * RATE)]
        # The lines may stray by 0.2 dB from a curve that moves by 2 dB a second.
        assert inside[round(0.16 * RATE)] - inside[0] <= 1.0
        assert inside[-round(0.1 * RATE)] - inside[-1] <= 0.2 + 2 * 0.2


@pytest.mark.parametrize(("register", "seed"), SONGS)
def test_moves_inside_a_phrase_are_slow(register, seed):
    moves = ridden(hops(register, seed), RideSettings(1.0, 0.0, 12.0))
    found = phrases.find(hops(register, seed)).phrases
    assert len(found) > 1
    for phrase in found:
        # A lift of 12 dB takes 160 ms, all of them inside where a breath touches the phrase.
        inside = moves.curve[phrase.start + 16 : phrase.stop - 16]
        assert np.abs(np.diff(inside)).max() <= 2.0 / 100 + 1e-9


@pytest.mark.parametrize(("amount", "fastest"), [(1.0, 2.0), (0.3, 1.2)])
def test_a_move_inside_a_phrase_ends_at_two_decibels_a_second(amount, fastest):
    """A phrase that grows by 8 dB at once, which a Hann window of 4 s spreads out.

    Its weight is at most half a second's worth a second, so the whole would be made good at some
    4 dB a second, three tenths of it at 1.2.
    """
    power = np.full(1200, 1e-9)
    power[100:600], power[600:1100] = 1e-3, 10**-2.2
    settings = RideSettings(amount, 0.0, 24.0)
    moves = riding.ride(power, np.zeros(1200), Phrasing([Stretch(100, 1100)], []), settings)
    steps = 100 * np.abs(np.diff(moves.curve[130:1070]))
    assert steps.max() <= 2.0 + 1e-9
    assert steps.max() == pytest.approx(fastest, rel=0.15)


@given(st.data())
def test_whatever_the_phrasing_no_move_is_a_step_and_no_sound_between_is_lifted(data):
    """Phrases of any loudness, with breaths and other sounds anywhere between them."""
    lengths = data.draw(st.lists(st.integers(12, 120), min_size=1, max_size=5))
    power, found, breaths, others, unheard = [], [], [], [], []
    for length in lengths:
        gap = data.draw(st.integers(18, 90))
        start = len(power) + gap
        begin = len(power) + data.draw(st.integers(0, gap - 12))
        sound = Stretch(begin, data.draw(st.integers(begin + 12, start)))
        for kind in data.draw(st.sampled_from([[], [breaths, unheard], [others]])):
            kind.append(sound if kind is not unheard else Stretch(sound.stop - 1, start + 1))
        found.append(Stretch(start, start + length))
        loud = data.draw(st.floats(-40.0, -10.0))
        power += [1e-9] * gap + [10 ** (loud / 10)] * length
    power = np.array(power + [1e-9] * data.draw(st.integers(0, 40)))
    settings = RideSettings(1.0, 0.0, data.draw(st.floats(0.0, 24.0)))
    moves = riding.ride(power, np.zeros(len(power)), Phrasing(found, breaths, others), settings)
    steps = np.abs(np.diff(moves.drawn)) * 100
    assert steps.max() <= UNHEARD
    for silence in unheard:  # a line drawn in it may begin or end in the hop beside it
        steps[silence.start : silence.stop] = 0.0
    assert steps.max() <= FASTEST
    for sound in (*breaths, *others):
        assert moves.drawn[sound.start : sound.stop + 1].max() <= 0.5


def test_no_move_is_a_step_where_a_sound_that_is_no_breath_touches_its_phrase():
    power = np.full(600, 1e-9)
    power[50:150], power[200:299], power[300:400] = 1e-2, 1e-6, 1e-4
    power[450:550] = 1e-2
    found = [Stretch(50, 150), Stretch(300, 400), Stretch(450, 550)]
    phrasing = Phrasing(found, [], [Stretch(200, 299)])
    moves = riding.ride(power, np.zeros(600), phrasing, RideSettings(0.6, 0.0, 12.0))
    assert moves.drawn[316] > 6.0
    assert np.abs(np.diff(moves.drawn)).max() * 100 <= FASTEST


def test_a_sound_between_phrases_that_are_turned_down_is_turned_down_as_well():
    power = np.full(900, 1e-9)
    power[50:250], power[300:500], power[550:750] = 1e-2, 1e-6, 1e-2
    power[800:880] = 1e-4
    found = [Stretch(50, 250), Stretch(550, 750), Stretch(800, 880)]
    phrasing = Phrasing(found, [], [Stretch(300, 500)])
    moves = riding.ride(power, np.zeros(900), phrasing, RideSettings(0.6, 0.0, 12.0))
    assert moves.wanted[0] == pytest.approx(moves.wanted[1])
    assert moves.drawn[250:551] == pytest.approx(moves.wanted[0], abs=0.2)
    assert moves.wanted[0] < -1.0


@pytest.mark.parametrize(("register", "seed"), SONGS)
def test_few_points_stand_for_the_curve(register, seed):
    moves = ridden(hops(register, seed), RideSettings(0.6, 0.0, 6.0))
    written = np.round(moves.curve[moves.knots], 2)
    drawn = np.interp(np.arange(len(moves.curve)), moves.knots, written)
    assert np.abs(drawn - moves.curve).max() <= 0.25
    assert len(moves.knots) <= 7 * len(moves.before)
    assert np.diff(moves.knots).min() > 1  # nobody draws two points 10 ms apart


@pytest.mark.parametrize(("register", "seed"), SONGS)
def test_each_phrase_gets_the_gain_it_is_meant_to_get(register, seed):
    moves = ridden(hops(register, seed), RideSettings(0.6, 0.0, 12.0))
    np.testing.assert_allclose(moves.after - moves.before, moves.wanted, atol=0.15)


def test_silence_inside_a_phrase_tells_nothing_of_its_loudness():
    """Of two phrases that are sung alike, one with stops between its words."""
    power = np.full(500, 1e-9)
    power[50:200] = power[300:450] = 1e-3
    power[300:450:3] = 1e-6
    found = [Stretch(50, 200), Stretch(300, 450)]
    moves = riding.ride(power, np.zeros(500), Phrasing(found, []), RideSettings(1.0, 0.0, 12.0))
    assert moves.before == pytest.approx([-0.691 - 30.0] * 2, abs=1e-6)  # BS.1770-5, equation 2
    assert moves.wanted == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("breath", [(152, 198), (150, 200), (160, 199)])
def test_a_breath_close_to_lifted_phrases_is_spared(breath):
    """Two quiet phrases with a breath between them, and a loud one behind."""
    power = np.full(500, 1e-9)
    power[50:150] = power[200:300] = 1e-4
    power[350:450] = 1e-2
    found = [Stretch(50, 150), Stretch(200, 300), Stretch(350, 450)]
    moves = riding.ride(
        power, np.zeros(500), Phrasing(found, [Stretch(*breath)]), RideSettings(0.5, 0.0, 12.0)
    )
    assert moves.curve[breath[0] : breath[1] + 1] == pytest.approx(0.0)
    # The lift of both lasts but for a move of 6 dB in 80 ms.
    assert 3.0 < moves.wanted[0] < 6.0
    assert moves.curve[[142, 208]] == pytest.approx(moves.wanted[:2], abs=0.1)


def test_a_short_gap_without_a_breath_is_passed_over():
    """Nobody dips between words of one line; in a pause the room is not lifted."""
    power = np.full(700, 1e-9)
    power[50:150] = power[175:275] = power[350:450] = 1e-4
    power[500:650] = 1e-2
    found = [Stretch(50, 150), Stretch(175, 275), Stretch(350, 450), Stretch(500, 650)]
    moves = riding.ride(power, np.zeros(700), Phrasing(found, []), RideSettings(0.5, 0.0, 12.0))
    assert moves.drawn[140:180] == pytest.approx(moves.wanted[0], abs=0.3)
    assert moves.drawn[300:330] == pytest.approx(0.0, abs=0.1)


def test_where_the_file_begins_in_the_lead_of_a_phrase_its_gain_is_there_from_the_start():
    """Nobody moves a fader in the 100 ms that there are."""
    power = np.full(600, 1e-9)
    power[10:210], power[360:560] = 1e-3, 1e-2
    found = [Stretch(10, 210), Stretch(360, 560)]
    moves = riding.ride(power, np.zeros(600), Phrasing(found, []), RideSettings(1.0, 0.0, 12.0))
    assert moves.drawn[0] == moves.drawn[10] > 1.0


@pytest.mark.data
def test_a_recorded_sentence_is_lifted_from_its_first_phoneme_to_its_last():
    """A sentence of the CMU ARCTIC set, said again 8 dB softer; its phoneme labels tell when."""
    path, labels = or_skip(arctic)
    x, rate = soundfile.read(path, always_2d=True)
    pause = np.resize(x[: round(0.12 * rate)], (rate, 1))  # the room before the first phoneme
    found = heard(np.concatenate([x, pause, 10 ** (-8 / 20) * x]), rate)
    phrasing, moves = phrases.find(found), ridden(found, RideSettings(0.6, 0.0, 6.0))
    begin, end = labels[0].end, labels[-1].start  # silence before and behind
    softer = len(x) / rate + 1.0
    truth = [begin, end, softer + begin, softer + end]
    assert edges(phrasing) == pytest.approx(truth, abs=0.08)
    assert not phrasing.spared
    assert np.abs(np.diff(moves.drawn)).max() * 100 <= FASTEST
    lifted = moves.drawn[round(100 * truth[2]) + 6 : round(100 * truth[3])]  # /h/ is 60 ms long
    assert lifted.min() > 1.5
    assert moves.after[1] - moves.after[0] == pytest.approx(-8 * 0.4, abs=0.2)


def test_gains_stay_within_the_range():
    moves = ridden(hops("low", 4), RideSettings(1.0, 0.0, 2.0))
    assert np.abs(moves.drawn).max() == pytest.approx(2.0)


def test_level_of_the_recording_does_not_matter():
    loud = ridden(hops("low", 4), RideSettings(0.6, 0.0, 6.0))
    quiet = ridden(heard(0.005 * song("low", 4).voice), RideSettings(0.6, 0.0, 6.0))
    assert quiet.knots == loud.knots
    np.testing.assert_allclose(quiet.curve, loud.curve, atol=1e-6)


def test_channels_out_of_phase_are_ridden_like_one():
    voice = song("low", 4).voice
    both = ridden(heard(np.hstack([voice, -voice])), RideSettings(0.6, 0.0, 6.0))
    np.testing.assert_allclose(
        both.curve, ridden(hops("low", 4), RideSettings(0.6, 0.0, 6.0)).curve
    )


@pytest.mark.parametrize("frames", [0, 479, 480, 5 * RATE])
def test_without_a_phrase_the_moves_are_flat(frames):
    moves = ridden(heard(np.zeros((frames, 1))), RideSettings(1.0, 1.0, 6.0))
    assert not moves.curve.any()
    assert not len(moves.before)


def test_a_voice_without_gaps_has_moves_to_its_ends():
    t = np.arange(4 * RATE) / RATE
    x = 0.1 * (1 + 0.5 * t)[:, None] * np.sin(2 * np.pi * 200 * t)[:, None]
    moves = ridden(heard(x), RideSettings(1.0, 0.0, 12.0))
    assert len(moves.before) == 1
    assert moves.drawn[0] > 1.0 > -1.0 > moves.drawn[-1]


# ---------------------------------------------------------------------------------- backing
@pytest.mark.parametrize(("register", "seed"), SONGS)
def test_distance_to_a_swelling_backing_is_steady(register, seed):
    voice, band = song(register, seed), accompany(RATE, 22.0, seed)
    moves = ridden(hops(register, seed), RideSettings(1.0, 1.0, 15.0), swelling(seed))
    gain = 10 ** (gain_of(moves, len(voice.voice)) / 20)
    sung, played = weighted(voice.voice * gain[:, None]), weighted(band.audio)
    # What is left of a phrase cut off by the end of the song is too short to tell.
    whole = [phrase for phrase in voice.phrases if phrase.end - phrase.start > 1.5]
    away = np.array([loudness(sung, p) - loudness(played, p) for p in whole])
    assert np.abs(away - away.mean()).max() <= 1.0


@pytest.mark.parametrize("follow", [0.0, 0.5, 1.0])
def test_a_share_of_the_swell_is_followed(follow):
    """A voice of even phrases over a backing that is 6 dB up under the second."""
    t = np.arange(2 * RATE) / RATE
    phrase = 0.1 * np.sin(2 * np.pi * 200 * t)
    silence = np.zeros(RATE)
    voice = np.concatenate([silence, phrase, silence, phrase, silence])[:, None]
    backing = np.full(700, 1e-3)
    backing[350:] *= 10**0.6
    moves = ridden(heard(voice), RideSettings(1.0, follow, 12.0), backing)
    first, second = moves.after - moves.before
    assert second - first == pytest.approx(6.0 * follow, abs=0.1)


def test_where_the_backing_is_silent_the_voice_is_only_evened():
    found = hops("low", 4)
    without = ridden(found, RideSettings(0.5, 1.0, 12.0))
    third = phrases.find(found).phrases[2]
    half = np.where(np.arange(len(found.power)) < third.start - 5, 1e-3, 0.0)
    with_half = ridden(found, RideSettings(0.5, 1.0, 12.0), half)
    np.testing.assert_allclose(with_half.after, without.after, atol=0.2)


# ------------------------------------------------------------------------------- compressor
def test_the_compressor_behind_rides_spends_less_and_steadier_reduction():
    voice = song("low", 4)
    gain = gain_of(ridden(hops("low", 4), RideSettings(1.0, 0.0, 12.0)), len(voice.voice))
    before, after = (
        phrase_reductions(x, voice.phrases)
        for x in (voice.voice, voice.voice * 10 ** (gain[:, None] / 20))
    )
    assert after.mean() < before.mean()
    assert after.max() < before.max() - 1.0
    assert after.std() < 0.5 * before.std()


def phrase_reductions(x, spans):
    """Mean reduction in dB in each phrase, at a threshold about the level of the quiet ones."""
    run = Compressor(
        RATE, 1, threshold=-22.0, ratio=3.0, knee=6.0, attack=0.01, release=0.12, lookahead=0.0,
        detector="peak", window=0.005, sidechain_highpass=None, reduction_range=None, makeup=0.0,
        mix=1.0, link=True,
    )  # fmt: skip
    gains = np.concatenate([run.process(np.ascontiguousarray(x))[1], run.finish()[1]])
    return -np.array([gains[round(s.start * RATE) : round(s.end * RATE)].mean() for s in spans])


# --------------------------------------------------------------------------------- polyline
@given(
    st.lists(st.floats(-12.0, 12.0), min_size=1, max_size=60),
    st.floats(0.0, 3.0),
    st.lists(st.integers(0, 59), max_size=5),
)
def test_lines_stay_within_the_tolerance(values, tolerance, corners):
    curve = np.array(values)
    last = len(curve) - 1
    points = simplify(curve, tolerance, sorted({min(corner, last) for corner in corners}))
    drawn = np.interp(np.arange(len(curve)), points, curve[points])
    assert points[0] == 0
    assert points[-1] == last
    assert np.abs(drawn - curve).max() <= tolerance + 1e-12


def test_straight_lines_need_their_ends_only():
    curve = np.concatenate([np.linspace(0, 3, 40), np.linspace(3, -1, 30)[1:]])
    assert simplify(curve, 1e-9, [10, 39, 50]) == [0, 39, 68]
