"""Scouting made sources: regions, edge, attack, mix, starting chain, sweeps."""

from __future__ import annotations

import csv
from copy import copy
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
import soundfile
from data import voices
from data.espeak import speak
from data.voices import Missing
from naive_glide import gliding_bell
from scipy.signal import iirpeak, lfilter
from signals import noise

import chainkit
from chainkit.audio.reader import AudioReader, read
from chainkit.audio.writer import write
from chainkit.chain import parse_chain
from chainkit.dsp import filters, sibilance_edge
from chainkit.dsp.attack import Attack, AttackMeter, a_weights
from chainkit.dsp.cascade import Cascade
from chainkit.dsp.glide import glide_bell, glide_frequencies
from chainkit.dsp.hum import Hum, Line
from chainkit.dsp.longterm import LongTerm
from chainkit.dsp.loudness import LoudnessMeter
from chainkit.dsp.meter import VoiceMeter
from chainkit.dsp.regions import Region, Tilt, find_regions
from chainkit.dsp.ringing import resonance
from chainkit.dsp.sibilance import Sibilant, SibilantDetector
from chainkit.dsp.truepeak import TruePeakMeter
from chainkit.dsp.voice import PlantedResonance, sing
from chainkit.errors import AudioFileError
from chainkit.scout import (
    chainfile,
    deessing,
    findings,
    gathering,
    hearing,
    proposal,
    scout_file,
    source,
    trial,
)
from chainkit.scout.chainfile import propose
from chainkit.scout.findings import HIDDEN, Finding
from chainkit.scout.mix import hidden, mix_bands, placed
from chainkit.scout.proposal import curve, plan
from chainkit.scout.sweeps import PAUSE, Glide, evidence, glided, write_sweeps
from chainkit.stages import KINDS

RATE = 16000


def measured(x, rate):
    meter = VoiceMeter(rate, x.shape[1])
    meter.add(np.ascontiguousarray(x))
    return meter.finish()


def pink(rng, frames):
    """Noise of equal power in each octave, (frames, 1)."""
    spectrum = np.fft.rfft(rng.standard_normal(frames))
    spectrum[1:] /= np.sqrt(np.arange(1, len(spectrum)))
    spectrum[0] = 0.0
    x = np.fft.irfft(spectrum, frames)
    return (0.1 * x / x.std())[:, None]


@pytest.fixture(scope="module")
def sung():
    return sing(RATE, seconds=10.0, seed=2, resonance=PlantedResonance(300.0, 5.0, 8.0))


@pytest.fixture(scope="module")
def scouting(sung, tmp_path_factory):
    return scouted(tmp_path_factory.mktemp("scout") / "lead.wav", sung.voice)


def scouted(path, x, rate=RATE):
    write(path, x, rate, subtype="PCM_24")
    return scout_file(path)


@pytest.fixture
def without_resonances(monkeypatch):
    """Leave out the search for resonances, most of the work, where nothing asked is about them."""
    monkeypatch.setattr(gathering, "find_resonances", lambda x, rate: [])


# ------------------------------------------------------------------------------ sibilance edge
@pytest.mark.parametrize("register", ["low", "high"])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_sibilance_edge_is_within_a_third_of_an_octave(register, seed):
    song = sing(22050, seconds=12.0, register=register, seed=seed)
    detector = SibilantDetector(22050, 1)
    detector.add(song.voice)
    collector = sibilance_edge.HissCollector(22050, detector.finish().sibilants)
    for start in range(0, len(song.voice), 5000):
        collector.add(song.voice[start : start + 5000, 0])
    edge = sibilance_edge.edge(collector.hisses)
    assert abs(np.log2(edge / song.edge_hz)) < 1.0 / 3.0


def test_the_edge_of_shaped_noise_is_where_half_the_amplitude_is_reached(rng):
    """A fourth-order high-pass is 6.02 dB down where 1 + (f0/f)^8 = 4."""
    hiss = Cascade(filters.butterworth("highpass", 48000, 6000.0, 4), 1).process(
        noise(rng, -20.0, 48000)
    )
    found = sibilance_edge.describe(hiss[:, 0], 48000).edge_hz
    assert found == pytest.approx(6000.0 * 3.0 ** (-1 / 8), rel=0.04)


# ------------------------------------------------------------------------------------ regions
def regions(x, *, speech):
    return find_regions(Tilt(measured(x, 48000).spectrum), speech=speech)


@pytest.mark.parametrize(
    ("kind", "frequency"), [("mud", 250.0), ("boxiness", 600.0), ("harshness", 3100.0)]
)
def test_a_hump_is_named_by_its_region(rng, kind, frequency):
    x = pink(rng, 8 * 48000)
    humped = Cascade(filters.bell(48000, frequency, 8.0, 2.0), 1).process(x)
    (region,) = regions(humped, speech=False)
    assert region.kind == kind
    assert region.frequency == pytest.approx(frequency, rel=0.12)
    assert 4.0 < region.excess < 9.0
    assert region.confidence <= 0.5
    assert regions(x, speech=False) == []


def test_air_is_judged_against_speech(rng):
    x = noise(rng, -20.0, 6 * 48000)
    dull = Cascade(filters.butterworth("lowpass", 48000, 3000.0, 2), 1).process(x)
    assert "air" in [r.kind for r in regions(dull, speech=True)]
    assert "air" not in [r.kind for r in regions(dull, speech=False)]
    assert "air" not in [r.kind for r in regions(x, speech=True)]


def test_a_hump_across_two_regions_is_told_once(rng):
    """400 Hz is where mud ends and boxiness begins; two humps an octave and more apart stay two."""
    x = pink(rng, 8 * 48000)
    one = Cascade(filters.bell(48000, 400.0, 8.0, 2.0), 1).process(x)
    (region,) = regions(one, speech=False)
    assert region.frequency == pytest.approx(400.0, rel=0.12)
    assert region.q == pytest.approx(2.0, rel=0.35)
    two = Cascade(filters.bell(48000, 230.0, 8.0, 4.0), 1).process(x)
    two = Cascade(filters.bell(48000, 600.0, 8.0, 4.0), 1).process(two)
    assert [region.kind for region in regions(two, speech=False)] == ["mud", "boxiness"]


@pytest.mark.parametrize("corner", [2200.0, 2700.0, 3300.0, 4200.0])
def test_the_edge_of_a_roll_off_is_no_hump(rng, corner):
    x = pink(rng, 8 * 48000)
    dull = Cascade(filters.butterworth("lowpass", 48000, corner, 4), 1).process(x)
    assert regions(dull, speech=False) == []


def test_a_straight_tilt_is_even_and_a_hump_is_not(rng):
    x = pink(rng, 8 * 48000)
    tilted = Cascade(filters.low_shelf(48000, 700.0, 6.0, 0.3), 1).process(x)
    humped = Cascade(filters.bell(48000, 700.0, 6.0, 3.0), 1).process(x)
    plain, shelf, hump = (Tilt(measured(y, 48000).spectrum) for y in (x, tilted, humped))
    assert plain.unevenness() < 0.4
    assert shelf.unevenness() < 0.5 * hump.unevenness()
    cut = 20 * np.log10(
        np.abs(filters.response(filters.bell(48000, 700.0, -6.0, 3.0), hump.frequencies, 48000))
    )
    assert hump.unevenness(cut) < 0.4 * hump.unevenness()


# ------------------------------------------------------------------------------------- attack
def struck(rng, click_hz, body_hz=70.0, rate=48000):
    """Eight strokes: a body that rings on, and a click of noise about `click_hz`."""
    time = np.arange(rate // 2)[:, None] / rate
    strokes = []
    for _ in range(8):
        click = lfilter(*iirpeak(click_hz, 3.0, rate), rng.standard_normal(time.shape), axis=0)
        body = np.sin(2 * np.pi * body_hz * time) * np.exp(-time / 0.15)
        strokes.append(0.5 * body + 0.5 * click * np.exp(-time / 0.005))
    x = np.concatenate(strokes)
    return x + 1e-4 * rng.standard_normal(x.shape)


def attack(x, rate=48000, block=65536):
    meter = AttackMeter(rate, x.shape[1])
    for start in range(0, len(x), block):
        meter.add(np.ascontiguousarray(x[start : start + block]))
    return meter.finish()


@pytest.mark.parametrize("click_hz", [1200.0, 3000.0, 7000.0])
def test_the_attack_is_where_the_click_is(rng, click_hz):
    found = attack(struck(rng, click_hz))
    assert found.low / 1.15 <= click_hz <= found.high * 1.15
    assert found.onsets == 8


def test_the_attack_is_the_click_and_not_the_skirt_of_the_body(rng):
    """A drum that glides down from 130 Hz has a skirt to 1 kHz that starts as fast as the click."""
    rate = 48000
    time = np.arange(rate // 2)[:, None] / rate
    body = np.sin(2 * np.pi * np.cumsum(48.0 + 80.0 * np.exp(-time / 0.02), axis=0) / rate)
    body *= np.exp(-time / 0.12)
    click = Cascade(filters.butterworth("highpass", rate, 3000.0, 2), 1).process(
        rng.standard_normal((8, len(time))).reshape(-1, 1)
    )
    click = Cascade(filters.butterworth("lowpass", rate, 4500.0, 2), 1).process(click)
    x = 0.4 * np.tile(body, (8, 1)) + 0.1 * click * np.tile(np.exp(-time / 0.004), (8, 1))
    found = attack(x)
    assert 2800.0 <= found.low < found.high <= 4500.0


def test_the_attack_of_a_body_in_noise_is_not_below_the_body(rng):
    """What starts at 190 Hz spreads to 50 and 350 Hz for a moment; there is no energy there."""
    rate = 48000
    time = np.arange(rate // 4)[:, None] / rate
    stroke = 0.6 * np.sin(2 * np.pi * 190.0 * time) * np.exp(-time / 0.05)
    strokes = [
        stroke + 0.4 * rng.standard_normal(time.shape) * np.exp(-time / 0.07) for _ in range(20)
    ]
    found = attack(np.concatenate(strokes))
    assert found.low <= 190.0 <= found.high or found.low >= 1000.0


def test_the_attack_is_where_it_can_be_heard(rng):
    """Cymbals and a snare that start abruptly, which spreads into bands where they are empty."""
    rate = 48000
    time = np.arange(2 * rate)[:, None] / rate
    cymbal = sum(
        np.sin(2 * np.pi * f * time + rng.uniform(0, 6)) * np.exp(-time / rng.uniform(0.3, 1.2))
        for f in np.exp(rng.uniform(np.log(400.0), np.log(16000.0), 200))
    )
    x = np.zeros((12 * rate, 1))
    for start in np.arange(0.1, 9.9, 0.4):
        first = round(start * rate)
        x[first : first + len(cymbal)] += 0.002 * rng.uniform(0.4, 0.9) * cymbal
    found = attack(x)
    assert found is None or found.low >= 400.0
    time = time[: rate // 2]
    snare = 0.6 * np.sin(2 * np.pi * 195.0 * time) * np.exp(-time / 0.06)
    snare = np.tile(snare, (20, 1)) + 0.3 * rng.standard_normal((10 * rate, 1)) * np.tile(
        np.exp(-time / 0.09), (20, 1)
    )
    assert attack(snare).low >= 100.0


def test_the_attack_of_bars_is_not_below_their_lowest_note(rng):
    """Partials of a free bar lie at 1, 2.76 and 5.4 times the lowest, and the higher die sooner.

    N. H. Fletcher and T. D. Rossing, The Physics of Musical Instruments, chapter 2 (from memory).
    """
    rate = 48000
    time = np.arange(rate)[:, None] / rate
    x = 3e-5 * rng.standard_normal((31 * rate, 1))
    for start in np.arange(0.2, 29.0, 0.4):
        first, lowest = round(start * rate), 784.0 * 2.0 ** (rng.integers(21) / 12.0)
        for times, level, decay in ((1.0, 1.0, 4.0), (2.76, 0.4, 8.0), (5.4, 0.2, 14.0)):
            partial = np.sin(2 * np.pi * lowest * times * time) * np.exp(-decay * time)
            x[first : first + rate] += 0.1 * level * partial
    found = attack(x)
    assert found is None or found.low > 784.0
    assert found is None or found.struck > source.STRUCK  # so that no stroke is a sibilant


@pytest.mark.parametrize(
    ("low", "high", "third"),
    [(0.0, 100.0, 50.0), (1800.0, 2200.0, 2000.0), (2800.0, 3500.0, 3150.0)],
)
def test_the_attack_is_told_as_a_third_octave(low, high, third):
    """A nominal one of ISO 266, since the band tells no more."""
    (told,) = findings.of_attack(Attack(low, high, 17.0, 40, 1.0, 1.0))
    assert told.frequency_hz == third


def test_the_weighting_is_that_of_the_standard():
    """A-weighting of IEC 61672-1:2013, table 3, at 50 Hz to 10 kHz (from memory)."""
    wanted = {50.0: -30.2, 250.0: -8.6, 1000.0: 0.0, 2000.0: 1.2, 4000.0: 1.0, 10000.0: -2.5}
    gains = 10 * np.log10(a_weights(np.array([*wanted])) / a_weights(np.array([1000.0])))
    np.testing.assert_allclose(gains, [*wanted.values()], atol=0.1)


def test_tones_that_are_held_have_no_attack(rng):
    """Chords of noise start within 15 ms, yet do not die away."""
    time = np.arange(24000)[:, None] / 48000
    shape = np.clip(time / 0.015, 0.0, 1.0) * np.clip((0.45 - time) / 0.1, 0.0, 1.0)
    x = np.concatenate([0.1 * rng.standard_normal(time.shape) * shape for _ in range(8)])
    assert attack(x + 1e-4 * rng.standard_normal(x.shape)) is None


def test_a_voice_and_noise_have_no_attack(rng, sung):
    assert attack(sung.voice, RATE) is None
    assert attack(noise(rng, -20.0, 48000)) is None
    assert attack(np.zeros((0, 1))) is None


def test_blocks_do_not_change_the_attack(rng):
    x = struck(rng, 3000.0)
    assert attack(x) == attack(x, block=1009)


# ---------------------------------------------------------------------------------------- mix
def test_bands_are_hidden_where_the_backing_is_louder():
    voice = np.ones((20, 18))
    backing = np.full((15, 18), 1e-3)
    backing[:, 4] = 10.0 * 20 / 15
    bands = mix_bands(voice, backing)
    assert bands[4].against_backing_db == pytest.approx(-10.0)
    assert bands[4].clear == pytest.approx(5.0 / 30.0)  # ANSI S3.5-1997: K = (SNR + 15) / 30
    assert [band.frequency_hz for band in hidden(bands)] == [400.0]
    assert bands[4].clear < HIDDEN


def test_a_finding_that_is_hidden_weighs_less():
    finding = Finding("resonance", 400.0, 5.0, 8.0, 0.9, 0.9, -8.0)
    backing = np.full((20, 18), 1e-3)
    clear = placed(finding, mix_bands(np.ones((20, 18)), backing))
    backing[:, 4] = 30.0
    masked = placed(finding, mix_bands(np.ones((20, 18)), backing))
    assert masked.weight < 0.1 * clear.weight


def test_what_is_hidden_comes_last_and_is_not_lifted():
    backing = np.full((20, 18), 1e-3)
    backing[:, 4] = backing[:, 17] = 30.0
    bands = mix_bands(np.ones((20, 18)), backing)
    loud = Finding("resonance", 400.0, 5.0, 12.0, 0.9, 0.9, -12.0)
    hint = Finding("boxiness", 800.0, 2.0, 2.0, 0.9, 0.3, -1.0)
    air = Finding("air", 10000.0, 0.7, -8.0, 0.9, 0.4, 4.0)
    ranked = findings.ranked([placed(one, bands) for one in (loud, air, hint)])
    assert [one.kind for one in ranked] == ["boxiness", "resonance", "air"]
    assert ranked[1].gain_db == -12.0
    assert ranked[2].gain_db is ranked[2].q is None
    assert "the backing hides" in ranked[2].note


def test_of_what_is_hidden_the_clearer_comes_first():
    """Rumble towers above what is usual by more than mud can above a trend."""
    rumble = Finding("rumble", 43.0, None, 36.0, 0.1, 0.25, None, clear=0.11)
    mud = Finding("mud", 259.0, 3.5, 4.5, 0.8, 0.35, -2.3, clear=0.21)
    seen = Finding("boxiness", 516.0, 3.5, 0.5, 0.8, 0.1, -0.3, clear=0.31)
    assert rumble.weight > mud.weight > seen.weight
    assert findings.ranked([rumble, mud, seen]) == [seen, mud, rumble]


# ------------------------------------------------------------------------------ starting chain
def index_and_unevenness(x, rate):
    found = measured(x, rate)
    return found.sibilance_index_db, Tilt(found.spectrum).unevenness()


def assert_helps(path):
    scouting = scout_file(path)
    proposal = propose(scouting)
    x, rate = read(path)
    hissing, uneven = index_and_unevenness(x, rate)
    processed = proposal.chain.process(x, rate).audio
    calmer, evener = index_and_unevenness(processed, rate)
    assert calmer < hissing - 0.3
    assert evener < uneven
    return proposal


@pytest.mark.parametrize(("frequency", "q"), [(900.0, 16.0), (2660.0, 19.0)])
def test_a_resonance_in_noise_is_believed(rng, tmp_path, frequency, q):
    """It draws the strongest line of many windows to one place, as a note would."""
    spectrum = np.fft.rfft(rng.standard_normal(30 * RATE))
    spectrum[1:] /= np.sqrt(np.arange(1, len(spectrum)))
    pink = np.fft.irfft(spectrum)
    bell = Cascade(filters.bell(RATE, frequency, 8.0, q), 1)
    x = bell.process(0.05 * pink[:, None] / pink.std())
    write(tmp_path / "noise.wav", x, RATE)
    sure = [f for f in scout_file(tmp_path / "noise.wav").findings if f.confidence > 0.5]
    found = [f for f in sure if abs(f.frequency_hz / frequency - 1.0) < 0.03]
    assert len(found) == 1
    assert len(sure) == 1
    assert abs(found[0].q / q - 1.0) < 0.3


@pytest.mark.parametrize("register", ["low", "high"])
def test_the_chain_calms_the_hiss_and_evens_the_spectrum(register, tmp_path):
    song = sing(
        44100, seconds=10.0, register=register, seed=3, resonance=PlantedResonance(300, 5, 8)
    )
    write(tmp_path / "lead.wav", song.voice, 44100, subtype="PCM_24")
    proposal = assert_helps(tmp_path / "lead.wav")
    kinds = [type(stage) for stage in proposal.chain.stages]
    assert kinds == [KINDS["eq"], KINDS["deess"], KINDS["compress"]]


@pytest.mark.data
def test_the_chain_helps_recorded_speech():
    path, _ = voices.or_skip(voices.arctic)
    assert_helps(path)
    assert_helps(voices.or_skip(voices.alsa, "Front_Center"))
    assert_helps(voices.or_skip(voices.alsa, "Side_Left"))


@pytest.fixture(scope="module")
def lead():
    return sing(44100, seconds=10.0, seed=3)


@pytest.fixture(scope="module")
def scouted_lead(lead, tmp_path_factory):
    return scouted(tmp_path_factory.mktemp("lead") / "lead.wav", lead.voice, 44100)


def hissing(song, gain):
    """A demo voice whose sibilants are turned up, and everything else as it was."""
    x = song.voice.copy()
    for event in song.sibilants:
        span = slice(round(event.start * 44100), round(event.end * 44100))
        x[span] *= 10.0 ** (gain / 20.0)
    return x


def test_louder_hiss_is_turned_down_further(tmp_path, lead, without_resonances):
    """The need, and with it the depth that is written, grows with the hiss against the voice."""
    needs, ranges, reductions = [], [], []
    for gain in (-4.0, 2.0, 8.0):
        x = hissing(lead, gain)
        scouting = scouted(tmp_path / f"{gain:g}.wav", x, 44100)
        chain = propose(scouting).chain
        needs.append(deessing.need(scouting))
        (deess,) = [stage for stage in chain.stages if stage.kind == "deess"]
        ranges.append(deess.range)
        reductions.append(index_and_unevenness(x, 44100)[0])
        reductions[-1] -= index_and_unevenness(chain.process(x, 44100).audio, 44100)[0]
    assert needs == sorted(needs)
    assert needs[-1] > needs[0] + 3.0
    assert ranges[-1] >= ranges[0] + 2.0
    assert reductions[-1] > reductions[0] + 1.5
    assert min(reductions) > 0.3


def taken(chain, x, rate):
    """Mean reduction of the de-esser in the sibilants, and elsewhere where the voice sounds."""
    reduction = -chain.process(x, rate).gains["deess"][:, 0]
    inside = np.zeros(len(x), dtype=bool)
    for event in measured(x, rate).sibilants:
        inside[round(event.start * rate) : round(event.end * rate)] = True
    level = np.convolve(x[:, 0] ** 2, np.ones(rate // 100) / (rate // 100), mode="same")
    return reduction[inside].mean(), reduction[~inside & (level > 1e-5 * level.max())].mean()


def rendered(scouting, folder):
    """What the record of a render tells of the de-esser: in the sibilants, elsewhere."""
    chain = propose(scouting).chain
    stage = chainkit.render(scouting.path, chain, folder / "out.wav").record["stages"]["deess"]
    return stage["inside_sibilants_db"], stage["outside_sibilants_db"]


def test_what_a_render_takes_is_told(tmp_path, scouted_lead):
    told = propose(scouted_lead).trial
    assert rendered(scouted_lead, tmp_path) == pytest.approx((told.inside_db, told.outside_db))


@pytest.mark.parametrize("channels", [2, 6])
def test_the_same_voice_has_the_same_chain_on_any_channels(
    tmp_path, lead, channels, without_resonances
):
    voice = np.rint(lead.voice * 2.0**23) / 2.0**23  # in 24 bits as it is, without dither
    found = []
    for count in (1, channels):
        folder = tmp_path / str(count)
        folder.mkdir()
        scouting = scouted(folder / "lead.wav", np.repeat(voice, count, axis=1), 44100)
        proposal = propose(scouting)
        found.append((proposal.text, proposal.trial, rendered(scouting, folder)))
    assert found[1] == found[0]
    assert found[1][2] == pytest.approx((found[1][1].inside_db, found[1][1].outside_db))


def test_one_loud_surround_is_no_louder_than_it_sounds(tmp_path, sung):
    """The weight of its place counts for loudness alone: a threshold hears it as it is."""
    x = np.zeros((len(sung.voice), 5))
    x[:, 0], x[:, 4] = sung.voice[:, 0], 0.9 * sung.voice[::-1, 0]
    write(tmp_path / "surround.wav", x, RATE, subtype="PCM_24")
    heard = hearing.hear(AudioReader(tmp_path / "surround.wav"))
    np.testing.assert_allclose(heard.excerpt, sung.voice[:, 0], atol=1e-6)


def test_soft_seconds_are_tried_at_the_gain_of_the_whole(tmp_path, monkeypatch, without_resonances):
    """Not at one of their own, which made a song whose verse is 12 dB down take too much."""
    song = sing(22050, seconds=20.0, seed=3)
    x = song.voice.copy()
    x[: 10 * 22050] *= 10.0 ** (-12.0 / 20.0)
    scouting = scouted(tmp_path / "verse.wav", x, 22050)
    monkeypatch.setattr(trial, "TRIED", 10.0)
    monkeypatch.setattr(trial, "_beginning", lambda events, last: 0.0)
    plain = deessing.deessing(scouting)  # whose threshold is one of level
    chain = chainfile.Draft(scouting, plan(scouting)).proposal(plain).chain
    found = trial.Sample(scouting).tried(chain)
    reduction = -chain.process(x, 22050).gains["deess"][: 10 * 22050, 0]
    inside = np.zeros(10 * 22050, dtype=bool)
    for event in measured(x[: 10 * 22050], 22050).sibilants:
        inside[round(event.start * 22050) : round(event.end * 22050)] = True
    assert found.inside_db == pytest.approx(reduction[inside].mean(), abs=0.1)
    anew = -chain.process(x[: 10 * 22050], 22050).gains["deess"][:, 0]
    assert anew[inside].mean() > found.inside_db + 1.0


def test_seconds_are_tried_whose_middle_sibilant_is_that_of_all():
    def event(start, level):
        return Sibilant(start, start + 0.1, 6000.0, 6000.0, level, -10.0)

    verse = [event(float(start), -50.0) for start in range(40)]
    chorus = [event(float(start), -38.0) for start in range(40, 120)]
    assert trial._beginning([*verse, *chorus], last=90.0) >= 25.0
    assert trial._beginning([*verse, *chorus], last=0.0) == 0.0
    # A single one as loud as the middle of all does not stand for the rest.
    others = [event(float(start), level) for start in range(60, 90) for level in (-48.0, -38.0)]
    assert trial._beginning([event(3.0, -43.0), *others], last=60.0) >= 30.0
    assert trial._beginning([], last=60.0) == 0.0


@pytest.mark.parametrize("gain", [2.0**23, 0.9e9])
def test_integers_stored_as_floats_have_the_same_chain(tmp_path, lead, gain, without_resonances):
    """Up to +180 dBFS, the most that is read."""
    path, found = tmp_path / "lead.wav", []
    for level in (1.0, gain):
        soundfile.write(path, level * lead.voice, 44100, "FLOAT")
        scouting = scout_file(path)
        found.append((propose(scouting), [finding.kind for finding in scouting.findings]))
    (plain, kinds), (scaled, same) = found
    assert same == kinds
    assert scaled.text == plain.text
    assert scaled.trial.inside_db == pytest.approx(plain.trial.inside_db, abs=0.01)


def test_an_eq_changes_nothing_of_what_does_not_sound(scouting):
    """As where no window of 0.6 s reaches the level of a few short sounds."""
    nothing = copy(scouting.tilt)
    nothing.levels = np.full_like(nothing.levels, -np.inf)
    moves = plan(scouting).moves
    assert deessing.level_change(scouting, moves) != 0.0
    assert deessing.level_change(replace(scouting, tilt=nothing), moves) == 0.0


def test_what_the_de_esser_takes_is_told_as_it_is(lead, scouted_lead):
    proposal = propose(scouted_lead)
    inside, outside = taken(proposal.chain, lead.voice, 44100)
    assert proposal.trial.inside_db == pytest.approx(inside, abs=0.1)
    assert proposal.trial.outside_db == pytest.approx(outside, abs=0.1)
    told = f"took {proposal.trial.inside_db:.1f} dB from the sibilants"
    assert told in names(proposal.text.replace("\n  #", "\n#"))
    assert told in proposal.why_deess


def test_a_bright_voice_is_not_dulled(tmp_path, without_resonances):
    """Its vowels are as loud above 3.7 kHz as its sibilants; a plain threshold cuts both."""
    text = (
        "The sun sets slowly over the silver sea, and sailors sing their songs of distant stars. "
        "She sells fresh fish at the station each Saturday. Whenever the rain comes down in the "
        "valley, we gather the horses and bring them home. Just a quiet evening, nothing more."
    )
    try:
        x, rate, _ = speak(text, "gmw/en-US+f4", pitch=90)
    except Missing as missing:
        pytest.skip(str(missing))
    x = 0.5 * x / np.abs(x).max()
    x = x + noise(np.random.default_rng(1), -75.0, len(x))
    proposal = propose(scouted(tmp_path / "lead.wav", x, rate))
    inside, outside = taken(proposal.chain, x, rate)
    assert outside < 0.45 * inside
    calmer = index_and_unevenness(proposal.chain.process(x, rate).audio, rate)[0]
    assert calmer < index_and_unevenness(x, rate)[0] - 0.3


def test_there_is_no_de_esser_that_would_cut_all_the_treble(tmp_path, without_resonances):
    """Noise 34 dB below full scale fills the band as much as the sibilants do."""
    song = sing(44100, seconds=10.0, register="high", seed=5)
    x = song.voice + noise(np.random.default_rng(1), -34.0, len(song.voice))
    proposal = propose(scouted(tmp_path / "noisy.wav", x, 44100))
    assert "deess" not in {stage.kind for stage in proposal.chain.stages}
    assert "high_shelf" not in {move.band.shape for move in proposal.moves}
    assert "nearly as much elsewhere as in the sibilants" in names(proposal.text)


def test_a_dull_voice_is_made_no_duller(tmp_path, lead):
    """Its roll-off is no harshness, and its hiss needs no de-esser."""
    x = Cascade(filters.butterworth("lowpass", 44100, 3000.0, 4), 1).process(lead.voice)
    scouting = scouted(tmp_path / "dull.wav", x, 44100)
    proposal = propose(scouting)
    assert scouting.tilt.highest < 4000.0
    assert "harshness" not in {finding.kind for finding in scouting.findings}
    assert "deess" not in {stage.kind for stage in proposal.chain.stages}
    assert all(move.band.frequency < 2000.0 for move in proposal.moves)


@pytest.mark.parametrize(
    ("level", "highest", "reason"),
    [
        (-20.5, np.inf, "20 dB below the voice"),
        (-12.0, 2500.0, "rolls off from 2.5 kHz"),
        (-12.0, 8000.0, None),
    ],
)
def test_why_there_is_no_de_esser_is_told(scouted_lead, level, highest, reason):
    heard, tilt = scouted_lead.heard, copy(scouted_lead.tilt)
    measurement = replace(heard.measurement, sibilants_median_db=level)
    scouting = replace(scouted_lead, heard=replace(heard, measurement=measurement), tilt=tilt)
    tilt.highest = highest
    if reason is None:
        assert deessing.unneeded(scouting) is None
        return
    assert deessing.deessing(scouting) is None
    assert reason in deessing.unneeded(scouting)
    told = names(propose(scouting).text)
    assert "sibilance at" in told
    assert reason in told


def test_what_stands_out_of_a_clipped_source_is_a_hint(tmp_path, rng, monkeypatch):
    x = Cascade(filters.bell(RATE, 700.0, 12.0, 8.0), 1).process(noise(rng, -30.0, 8 * RATE))
    once = cache(lambda: resonance.find_resonances(x[:, 0], RATE))
    monkeypatch.setattr(gathering, "find_resonances", lambda excerpt, rate: once())
    scouting = scouted(tmp_path / "noise.wav", x)
    confidences = []
    for runs in (0, 2, 300):
        measurement = replace(scouting.heard.measurement, clipped_runs=runs)
        heard = replace(scouting.heard, measurement=measurement)
        found, _ = gathering.gather(heard, scouting.tilt, RATE)
        (one,) = [finding for finding in found if finding.kind == "resonance"]
        confidences.append(one.confidence)
    assert confidences[0] == confidences[1] >= 0.5
    assert confidences[2] == pytest.approx(0.49 * confidences[0])
    assert one.gain_db == pytest.approx(-one.prominence_db / 2.0, abs=0.06)


def test_every_value_of_the_chain_is_explained(scouting):
    text = propose(scouting).text
    assert parse_chain(text) == propose(scouting).chain
    lines = text.splitlines()
    for number, line in enumerate(lines):
        if "shape:" in line:
            assert lines[number - 1].lstrip().startswith("# ")
    settings = [line for line in lines if line.startswith("      ") and ":" in line]
    explained = [line for line in settings if "#" in line or "shape" in line]
    plain = [line.split(":")[0].strip() for line in settings if line not in explained]
    assert set(plain) <= {"bands", "frequency", "window"}  # told by the comment above each


def test_a_loud_lfe_changes_nothing(tmp_path, sung):
    """The voice in the centre of 5.1, a drum of more energy in the LFE (channel 4)."""
    time = np.arange(len(sung.voice)) / RATE
    surround = np.zeros((len(time), 6))
    surround[:, 2] = sung.voice[:, 0]
    plain = scouted(tmp_path / "plain.wav", surround)
    surround[:, 3] = 0.8 * np.sin(2 * np.pi * 50.0 * time) * np.exp(-(time % 0.5) / 0.1)
    loud = scouted(tmp_path / "loud.wav", surround)
    assert [f.as_dict() for f in loud.findings] == [f.as_dict() for f in plain.findings]
    assert propose(loud).chain.stages == propose(plain).chain.stages


def test_the_channel_that_is_looked_into_is_the_loudest_apart_from_its_offset(tmp_path, sung):
    x = np.hstack([0.05 * sung.voice + 0.5, sung.voice])
    write(tmp_path / "offset.wav", x, RATE, subtype="PCM_24")
    heard = hearing.hear(AudioReader(tmp_path / "offset.wav"))
    np.testing.assert_allclose(heard.excerpt, sung.voice[:, 0], atol=1e-6)


def test_a_source_that_is_silent_where_it_is_looked_into_gets_a_chain(tmp_path, monkeypatch, sung):
    """Of a long source, pieces are heard; it may sound between them."""
    monkeypatch.setattr(hearing, "EXCERPT", 2 * RATE)
    monkeypatch.setattr(hearing, "PIECE", 1)
    x = np.zeros((40 * RATE, 1))
    x[3 * RATE : 9 * RATE] = sung.voice[: 6 * RATE]
    scouting = scouted(tmp_path / "long.wav", x)
    assert np.abs(scouting.heard.excerpt).max() < 1e-6
    proposal = propose(scouting)
    assert proposal.chain.stages[-1].threshold == -30.0
    assert "4 dB below the loudness of this source" in proposal.text


def test_no_value_leaves_what_a_setting_may_hold(scouting):
    """A sibilant without energy has no level."""
    hisses = [replace(hiss, powers=0.0 * hiss.powers) for hiss in scouting.heard.hisses]
    silent = replace(scouting, heard=replace(scouting.heard, hisses=tuple(hisses)))
    found = deessing.deessing(silent)
    assert found.threshold_db < -120.0
    _, deess, _ = chainfile.Draft(silent, plan(silent)).proposal(found).chain.stages
    assert deess.threshold == -120.0


def test_cuts_are_narrow_and_boosts_wide(scouting):
    moves = plan(scouting).moves
    assert moves
    for move in moves:
        gain, q = getattr(move.band, "gain", 0.0), getattr(move.band, "q", None)
        assert gain <= 0.0 or q <= 0.8
        assert gain >= 0.0 or q >= 1.4


def test_the_compressor_turns_the_loudest_twentieth_down_as_it_says(scouting, sung):
    gain = propose(scouting).chain.process(sung.voice, RATE).gains["compress"][:, 0]
    reduction = gain.max() - gain
    (words,) = [line for line in propose(scouting).text.splitlines() if "so the loudest" in line]
    said = float(words.rsplit("about ", 1)[1].removesuffix(" dB"))
    # The knee lets the reduction begin below the threshold, the attack keeps it a little behind.
    assert np.percentile(reduction, 95.0) == pytest.approx(said, abs=1.0)


@pytest.mark.parametrize("offset", [0.2, -0.05])
def test_an_offset_changes_the_chain_by_its_high_pass_only(tmp_path, sung, scouting, offset):
    """What is heard of a source does not depend on its DC offset, so no level may."""
    shifted, levels = scouted(tmp_path / "lead.wav", 0.5 * sung.voice + offset), []
    for one in (scouting, shifted):
        _, deess, compress = propose(one).chain.stages
        levels.append([deess.threshold, deess.range, compress.threshold, deess.frequency / 100.0])
    np.testing.assert_allclose(*levels, atol=1.01)  # each is rounded
    assert plan(shifted).moves[0].band.shape == "highpass"
    assert f"a DC offset of {offset:.2g}, which it takes away" in plan(shifted).moves[0].reason


def test_an_offset_does_not_change_the_sibilance_index(sung):
    plain, offset = (measured(x, RATE).sibilance_index_db for x in (sung.voice, sung.voice + 0.2))
    assert offset == pytest.approx(plain, abs=0.05)


def test_an_offset_alone_is_told_and_taken_away(tmp_path):
    scouting = scouted(tmp_path / "dc.wav", np.full((2 * RATE, 1), 0.3))
    assert [move.band.frequency for move in plan(scouting).moves] == [20.0]


def test_the_high_pass_says_what_was_measured(tmp_path, rng, without_resonances):
    """White noise has the same density everywhere: there is energy below the corner."""
    (gate, *_) = plan(scouted(tmp_path / "noise.wav", noise(rng, -20.0, 4 * RATE))).moves
    assert "no energy" not in gate.reason
    assert "third octaves lie 20 dB and more under its strongest" in gate.reason


def test_there_is_no_chain_for_silence(tmp_path):
    write(tmp_path / "silent.wav", np.zeros((RATE, 2)), RATE)
    scouting = scout_file(tmp_path / "silent.wav")
    assert scouting.silent
    assert scouting.findings == ()
    with pytest.raises(AudioFileError, match=r"silent\.wav is silent"):
        propose(scouting)


# ------------------------------------------------------- one gain a finding, and what is left out
def names(text):
    """The comment lines of what was left out, joined."""
    return " ".join(line.lstrip("# ") for line in text.splitlines() if line.startswith("#"))


def test_the_chain_holds_the_gain_of_the_finding(scouting):
    found = [f for f in scouting.findings if f.gain_db is not None and f.kind != "air"]
    gains = {(float(f"{f.frequency_hz:.3g}"), f.gain_db, round(f.q, 1)) for f in found}
    bells = [
        m.band for m in plan(scouting).moves if hasattr(m.band, "gain") and m.band.shape == "bell"
    ]
    told = [bell for bell in bells if (bell.frequency, bell.gain, bell.q) in gains]
    assert told
    fills = [m for m in plan(scouting).moves if "No finding" in m.reason]
    assert len(told) + len(fills) == len(bells)


@pytest.mark.parametrize(
    ("gain", "confidence", "wanted"),
    [(7.0, 0.9, -7.0), (7.0, 0.4, -3.5), (24.0, 0.9, -12.0), (30.0, 0.4, -12.0)],
)
def test_a_resonance_is_cut_by_what_it_is_and_a_hint_by_half(rng, gain, confidence, wanted):
    found = resonance.Resonance(400.0, 9.0, gain, 0.9, confidence)
    spectrum = LongTerm(noise(rng, -20.0, RATE)[:, 0], RATE)
    finding = findings.of_resonance(found, spectrum)
    assert finding.gain_db == wanted
    assert finding.prominence_db == gain


def test_what_is_too_much_for_a_region_is_limited_and_noise_is_not_lifted():
    assert findings.of_region(Region("mud", 250.0, 2.0, 27.0, 0.45), 0.9).gain_db == -4.0
    dull = Region("air", 10000.0, 0.7, -13.0, 0.4)
    assert findings.of_air(dull, 0.9, swing=20.0).gain_db == 4.0
    assert findings.of_air(replace(dull, excess=-5.0), 0.9, swing=20.0).gain_db == 2.5
    for empty, swing in ((dull, 1.0), (replace(dull, excess=-42.0), 20.0)):
        finding = findings.of_air(empty, 0.9, swing)
        assert finding.gain_db is finding.q is None
        assert "nothing up here to lift" in finding.note


@pytest.mark.parametrize(
    ("floor", "ends", "times", "dulled"),
    [(-65.0, 5000.0, 1, 0.0), (-75.0, 5000.0, 1, 0.0), (-75.0, 10500.0, 3, -6.0)],
)
def test_a_band_of_noise_is_no_air(tmp_path, floor, ends, times, dulled, without_resonances):
    """A voice without anything above 5 or 10.5 kHz, in the steady hiss of a converter."""
    song = sing(44100, seconds=8.0, seed=3).voice
    end = np.tile(filters.butterworth("lowpass", 44100, ends, 8), (times, 1))
    shelf = filters.high_shelf(44100, 4000.0, dulled, 0.7)
    dull = Cascade(np.concatenate([end, shelf]), 1).process(song)
    hiss = noise(np.random.default_rng(1), floor, len(dull))
    scouting = scouted(tmp_path / "dull.wav", dull + hiss, 44100)
    (air,) = [finding for finding in scouting.findings if finding.kind == "air"]
    assert air.gain_db is None
    assert "high_shelf" not in propose(scouting).text
    assert "air at 8 kHz: there is nothing up here to lift" in names(propose(scouting).text)


def test_a_source_that_ends_has_no_air_to_lift(tmp_path):
    """At half of 22.05 kHz, as what was recorded at that rate; what is left above moves with it."""
    song = sing(44100, seconds=8.0, seed=3).voice
    end = np.tile(filters.butterworth("lowpass", 44100, 10800.0, 8), (3, 1))
    shelf = filters.high_shelf(44100, 4000.0, -6.0, 0.7)
    ended = Cascade(np.concatenate([end, shelf]), 1).process(song) + 1e-4 * song
    scouting = scouted(tmp_path / "ended.wav", ended, 44100)
    (air,) = [finding for finding in scouting.findings if finding.kind == "air"]
    assert air.gain_db is None
    assert "the source ends below 16 kHz" in names(propose(scouting).text)


def test_a_chirp_has_no_sure_resonance(tmp_path):
    """It passes each place once, so that nothing tells a place from a moment."""
    time = np.arange(12 * 48000) / 48000
    phase = 2 * np.pi * 80.0 * 12.0 / np.log(100.0) * (np.exp(time / 12.0 * np.log(100.0)) - 1.0)
    scouting = scouted(tmp_path / "chirp.wav", np.cos(phase)[:, None] * 0.5, 48000)
    sure = [one for one in scouting.findings if one.confidence >= 0.5]
    assert [one.kind for one in sure if one.kind == "resonance"] == []
    assert "whatever sounds" not in propose(scouting).text


def test_words_about_the_eq_need_one(tmp_path, rng, scouting):
    noise_alone = propose(scouted(tmp_path / "pink.wav", pink(rng, 12 * 48000), 48000))
    assert noise_alone.moves == ()
    assert "Behind the EQ" not in noise_alone.text
    assert propose(scouting).text.count("Behind the EQ") == 2


@pytest.mark.parametrize(("gain", "told"), [(-3.1, False), (-24.0, True)])
def test_a_range_that_loses_3_db_has_a_width(scouting, gain, told):
    hint = Finding("hum", 100.0, 29.9, 6.1, 1.0, 0.9, gain)
    (move,) = [
        move
        for move in plan(replace(scouting, findings=(hint,))).moves
        if move.band.frequency == 100.0
    ]
    assert ("loses 3 dB" in move.reason) is told


@pytest.mark.parametrize(("share", "words"), [(0.6, "whatever sounds"), (0.1, "whenever")])
def test_what_sounds_seldom_does_not_stand_out_whatever_sounds(scouting, share, words):
    found = Finding("resonance", 1500.0, 8.0, 7.0, share, 0.9, -7.0)
    reasons = [move.reason for move in plan(replace(scouting, findings=(found,))).moves]
    assert any(words in reason for reason in reasons)


@pytest.mark.parametrize(("at", "gain"), [(50.0, -24.0), (150.0, -12.0), (240.0, -24.0)])
def test_a_cut_of_hum_takes_3_db_where_its_comment_says(at, gain):
    q = findings.line_q(at, gain)
    low, high = findings.taken_about(at, gain, q)
    sections = filters.bell(192000, at, gain, q)
    response = filters.response(sections, np.array([low, high, at]), 192000)
    np.testing.assert_allclose(20 * np.log10(np.abs(response)), [-3.01, -3.01, gain], atol=0.05)
    assert high - low < 10.0
    low, high = findings.taken_about(at, -2.0, q)
    assert low == high == at


def test_hum_that_no_cut_would_quieten_is_not_listed():
    loud, faint = Line(50.0, -60.0, -90.0, 1.0), Line(100.0, -85.0, -90.0, 1.0)
    told = list(findings.of_hum(Hum(50, (loud, faint), 0.9)))
    assert [finding.frequency_hz for finding in told] == [50.0]
    (hint,) = findings.of_hum(Hum(50, (loud,), 0.4))
    assert hint.gain_db == pytest.approx(told[0].prominence_db / -2.0, abs=0.06)


def test_hum_is_told_once(tmp_path, rng):
    time = np.arange(8 * RATE)[:, None] / RATE
    hum = sum(0.004 / k * np.sin(2 * np.pi * 50 * k * time + k) for k in range(1, 6))
    scouting = scouted(tmp_path / "hum.wav", hum + noise(rng, -80.0, len(hum)))
    low = {finding.kind for finding in scouting.findings if finding.frequency_hz < 1000.0}
    assert low == {"hum"}
    assert min(np.diff([move.band.frequency for move in plan(scouting).moves])) > 10.0


def lines(multiples, frames, rate, mains=50.0):
    """Steady lines at multiples of the mains, -54 dBFS each, (frames, 1)."""
    time = np.arange(frames)[:, None] / rate
    return sum(0.0028 * np.sin(2 * np.pi * mains * k * time + k) for k in multiples)


def test_a_line_of_the_hum_is_no_resonance_of_a_voice(tmp_path):
    """In windows of 46 ms it is a bell of Q 8 at 200 Hz."""
    text = (
        "The river bends past seven stones and settles softly in the reeds. Nobody knows how long "
        "the winter waits before the morning comes. Push the heavy door, open every window, let "
        "the yellow light pour in. Cheerful voices rise across the misty hills, asking us to stay."
    )
    try:
        x, rate, _ = speak(text, "gmw/en", pitch=50)
    except Missing as missing:
        pytest.skip(str(missing))
    x = 0.4 * x / np.abs(x).max()
    x = x + lines((2, 3, 4, 6), len(x), rate) + noise(np.random.default_rng(1), -75.0, len(x))
    found = scouted(tmp_path / "lead.wav", x, rate).findings
    assert [f.frequency_hz for f in found if f.kind == "hum"]
    assert not [f for f in found if f.kind == "resonance" and f.frequency_hz < 550.0]


def test_a_resonance_with_a_line_of_the_hum_on_its_top_stays(tmp_path):
    planted = PlantedResonance(300.0, 6.0, 10.0)
    song = sing(RATE, seconds=20.0, seed=4, resonance=planted).voice
    scouting = scouted(tmp_path / "hum.wav", song + 0.3 * lines((1, 2, 3, 6), len(song), RATE))
    assert scouting.mains_hz == 50
    (found,) = [f for f in scouting.findings if f.kind == "resonance"]
    assert found.confidence > 0.5
    assert found.frequency_hz == pytest.approx(300.0, rel=0.03)
    assert found.q == pytest.approx(6.0, rel=0.3)


def test_lines_of_the_hum_are_notched_and_nothing_beside_them(scouting):
    assert gathering.without_hum(scouting.heard, RATE) is scouting.heard.excerpt
    told = Hum(50, (Line(50.0, -60.0, -90.0, 1.0), Line(150.0, -65.0, -90.0, 1.0)), 0.9)
    impulse = replace(scouting.heard, excerpt=np.eye(1, 16 * RATE, 8 * RATE)[0], hum=told)
    response = np.abs(np.fft.rfft(gathering.without_hum(impulse, RATE)))
    # Told or not, in bins of the 15.5 s that are left.
    at = np.array([50, 150, 250, 300, 550]) * 31 // 2
    assert response[at].max() < 10 ** (-25 / 20)
    assert response[np.add.outer(at, [-155, 155])].min() > 0.95


def test_a_few_notes_are_not_resonances(tmp_path):
    """Four notes of a bass, six times each: its partials stand out, and nothing else does."""
    time = np.arange(RATE // 2) / RATE
    strings = [
        np.sum([np.sin(2 * np.pi * k * f * time) / k for k in range(1, 12)], axis=0)
        for f in (49.0, 55.0, 65.4, 73.4)
    ]
    fade = np.clip(np.minimum(time, 0.5 - time) / 0.01, 0.0, 1.0) * np.exp(-time / 0.6)
    x = 0.1 * np.tile(np.concatenate([fade * string for string in strings]), 6)
    scouting = scouted(tmp_path / "bass.wav", x[:, None])
    assert not [finding for finding in scouting.findings if finding.kind == "resonance"]
    assert scouting.own_partials
    assert all(move.band.shape == "highpass" for move in plan(scouting).moves)
    assert "it may be the notes themselves" in names(propose(scouting).text)


def test_the_end_of_a_source_is_no_sag(tmp_path, rng, without_resonances):
    """A flute whose lowest note is G4, 392 Hz, in the third octave of 400 Hz."""
    rate, time = 48000, np.arange(24000) / 48000
    fade = np.clip(np.minimum(time / 0.05, (0.5 - time) / 0.08), 0.0, 1.0)
    steps = np.concatenate([rng.permutation(24) for _ in range(2)])
    notes = [
        sum(a * np.sin(2 * np.pi * k * 392.0 * 2.0 ** (step / 12.0) * time) for k, a in
            ((1, 1.0), (2, 0.3), (3, 0.1), (4, 0.03)))
        for step in steps
    ]  # fmt: skip
    x = 0.2 * np.concatenate([fade * note for note in notes])
    scouting = scouted(tmp_path / "flute.wav", x[:, None] + noise(rng, -80.0, len(x)), rate)
    gate = plan(scouting).moves[0]
    assert gate.reason.startswith("Below 400 Hz this source's own third octaves")
    assert all(move.band.frequency > 554.0 for move in proposal._fill(scouting))


def plucked_bass(rng):
    """Sixty notes of stiff strings from E1 up, which ring on into one another."""
    time = np.arange(round(1.5 * RATE)) / RATE
    x = 1e-5 * rng.standard_normal(32 * RATE)
    for start in np.arange(0.1, 30.0, 0.5):
        pitch, first = 41.2 * 2.0 ** (rng.integers(18) / 12.0), round(start * RATE)
        for k in range(1, 40):
            at = k * pitch * np.sqrt(1.0 + 1e-4 * k**2)
            if at < 0.45 * RATE:
                partial = np.sin(2 * np.pi * at * time + rng.uniform(0.0, 6.0))
                partial *= np.exp(-(1.5 + 0.4 * k) * time) * np.minimum(1.0, time / 0.002)
                x[first : first + len(time)] += 0.05 * k**-1.2 * np.sin(0.66 * k) * partial
    return x[: 30 * RATE, None]


def test_a_partial_of_a_plucked_bass_is_no_sure_resonance(tmp_path):
    """Chosen among eight: in this one six partials stood out with confidences up to 0.8."""
    scouting = scouted(tmp_path / "bass.wav", plucked_bass(np.random.default_rng(2)))
    found = [finding for finding in scouting.findings if finding.kind == "resonance"]
    assert found
    assert all(finding.confidence < 0.5 for finding in found)


@pytest.mark.parametrize("often", [0.8, 0.1])
def test_a_bass_keeps_its_lowest_notes(tmp_path, rng, often, without_resonances):
    """E1 is 41.2 Hz. What rings on between its notes is steady and low, and no rumble."""
    rate, length = 48000, 0.36
    time = np.arange(round(length * rate)) / rate
    fade = np.minimum(1.0, np.minimum(time / 0.005, (length - time) / 0.02))
    notes = [
        sum(
            np.sin(2 * np.pi * f * k * time) * np.exp(-time * k / 0.5) / k**1.3
            for k in range(1, 20)
        )
        for f in (41.2, 55.0, 61.7, 73.4, 82.4)
    ]
    x = np.zeros(12 * rate)
    for start in np.arange(0.0, 11.6, 0.375):
        first = round(start * rate)
        note = 0 if rng.random() < often else rng.integers(1, 5)
        x[first : first + len(time)] += 0.3 * fade * notes[note]
    scouting = scouted(tmp_path / "bass.wav", x[:, None], rate)
    for move in plan(scouting).moves:
        if move.band.shape == "highpass":
            gain = np.abs(filters.response(move.band.sections(rate), np.array([41.2]), rate))[0]
            assert 20 * np.log10(gain) > -3.0
    assert not [f for f in scouting.findings if f.kind == "rumble" and f.confidence >= 0.5]


def test_a_steady_rumble_under_a_voice_is_taken_away_and_told(
    tmp_path, sung, rng, without_resonances
):
    low = Cascade(filters.butterworth("lowpass", RATE, 40.0, 4), 1).process(
        noise(rng, 0.0, len(sung.voice))
    )
    scouting = scouted(tmp_path / "lead.wav", sung.voice + 10 ** (-38 / 20) * low / low.std())
    (rumble,) = [finding for finding in scouting.findings if finding.kind == "rumble"]
    assert (rumble.confidence > 0.5, rumble.note) == (True, "steady")
    assert plan(scouting).moves[0].reason.startswith("Apart from the rumble, below")


def test_a_tone_is_no_hump_and_no_rumble(tmp_path):
    x = 0.3 * np.sin(2 * np.pi * 440.0 * np.arange(5 * RATE) / RATE)[:, None]
    assert scouted(tmp_path / "sine.wav", x).findings == ()


def test_a_tone_without_noise_has_no_resonance_beside_it(tmp_path):
    """At 1275 Hz a window spreads the tone 127 dB below itself, which once seemed a bell."""
    x = 0.2 * np.sin(2 * np.pi * 997.0 * np.arange(15 * 48000) / 48000)[:, None]
    soundfile.write(tmp_path / "sine.wav", x, 48000, "PCM_24")  # no dither
    scouting = scout_file(tmp_path / "sine.wav")
    assert not [f for f in scouting.findings if f.kind == "resonance"]


def test_a_click_is_the_attack_and_no_harshness(tmp_path, rng, without_resonances):
    scouting = scouted(tmp_path / "drum.wav", 0.5 * struck(rng, 3200.0), 48000)
    kinds = {finding.kind for finding in scouting.findings}
    assert "attack" in kinds
    assert not kinds & {"harshness", "rumble", "hum"}


def plucked(rng, rate=48000):
    """Forty strings after K. Karplus and A. Strong, Computer Music Journal 7(2), 1983."""
    x = np.zeros(14 * rate)
    for number, step in enumerate(rng.choice([0, 3, 5, 7, 10, 12, 15, 17, 19, 22, 24], 40)):
        period = int(rate / (110.0 * 2.0 ** (step / 12.0)))
        burst = np.zeros(round(1.2 * rate))
        burst[:period] = rng.uniform(-1.0, 1.0, period)
        burst[:period] -= burst[:period].mean()
        comb = np.zeros(period + 2)
        comb[0], comb[period:] = 1.0, -0.498
        start = round(0.3 * number * rate)
        x[start : start + len(burst)] += rng.uniform(0.6, 1.0) * lfilter([1.0], comb, burst)
    return (0.4 * x / np.abs(x).max() + 1e-5 * rng.standard_normal(len(x)))[:, None]


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_plucked_strings_have_an_attack_and_no_sibilance(tmp_path, seed, without_resonances):
    """Three and more of the strokes hiss as a sibilant does."""
    scouting = scouted(tmp_path / "strings.wav", plucked(np.random.default_rng(seed)), 48000)
    assert scouting.heard.measurement.sibilants_a_minute > source.LEAST_SIBILANTS
    kinds = {finding.kind for finding in scouting.findings}
    assert "attack" in kinds
    assert "sibilance" not in kinds
    assert "deess" not in {stage.kind for stage in propose(scouting).chain.stages}


def test_a_hint_of_a_resonance_goes_before_a_region_and_what_is_left_out_is_named(scouting):
    at = {f.kind: f.frequency_hz for f in scouting.findings if f.confidence < 0.5}
    hint = Finding("resonance", 0.95 * at["mud"], 8.0, 8.0, 0.5, 0.4, -4.0)
    others = tuple(f for f in scouting.findings if f.kind != "resonance")
    changed = plan(replace(scouting, findings=(*others, hint)))
    places = [move.band.frequency for move in changed.moves if "hint" in move.reason]
    assert places == [pytest.approx(hint.frequency_hz, rel=0.01)]
    left = {finding.kind: reason for finding, reason in changed.left_out}
    assert "is near" in left["mud"]


def test_only_cuts_that_are_taken_count_toward_enough(scouting):
    """Six findings at one place are one cut, so there is room for five more, not for a sixth."""
    alike = [Finding("resonance", 700.0 + n, 8.0, 9.0, 0.9, 0.9, -9.0) for n in range(6)]
    sure = [Finding("resonance", 900.0 * 1.2**n, 9.0, 8.0, 0.9, 0.9, -8.0) for n in range(6)]
    changed = plan(replace(scouting, findings=(*alike, *sure), own_partials=()))
    cuts = [m.band.frequency for m in changed.moves if m.reason.startswith("Stands")]
    assert cuts == [pytest.approx(one.frequency_hz, rel=0.01) for one in (alike[0], *sure[:5])]
    reasons = [reason for _, reason in changed.left_out]
    assert reasons == ["the change at 700 Hz is near"] * 5 + [
        "6 cuts of resonances are enough to begin with"
    ]


def test_two_wide_cuts_take_no_more_together_than_one_may(scouting, monkeypatch):
    """Apart by 0.66 octaves, they would take 5.4 dB at 600 Hz."""
    monkeypatch.setattr(proposal, "WORTH", -100.0)
    boxy = Finding("boxiness", 613.0, 1.5, 14.7, 0.9, 0.44, -4.0)
    mud = Finding("mud", 387.0, 1.4, 7.1, 0.9, 0.39, -3.5)
    changed = plan(replace(scouting, findings=(boxy, mud), own_partials=()))
    assert curve(scouting, [m for m in changed.moves if m.band.shape == "bell"]).min() > -4.5
    assert [one.kind for one, reason in changed.left_out if "overlap" in reason] == ["mud"]
    mild = replace(mud, gain_db=-1.0, frequency_hz=250.0)
    changed = plan(replace(scouting, findings=(boxy, mild), own_partials=()))
    assert not changed.left_out


def test_everything_with_a_gain_is_in_the_chain_or_named(scouting):
    proposal = propose(scouting)
    reasons = {finding for finding, _ in proposal.left_out}
    for finding in scouting.findings:
        if finding.gain_db is not None and finding not in reasons and finding.kind != "air":
            bells = [move.band for move in proposal.moves if move.band.shape == "bell"]
            near = [
                b for b in bells if b.frequency == pytest.approx(finding.frequency_hz, rel=0.01)
            ]
            assert [bell.gain for bell in near] == [finding.gain_db]
    for finding, reason in proposal.left_out:
        assert finding.kind in names(proposal.text)
        assert reason in names(proposal.text)


def test_thumps_leave_the_rest_alone_and_are_taken_away(tmp_path, sung, without_resonances):
    x = Cascade(filters.butterworth("highpass", RATE, 80.0, 8), 1).process(sung.voice)
    time = np.arange(RATE // 10) / RATE
    burst = 0.5 * np.sin(2 * np.pi * 45.0 * time) * np.hanning(len(time))
    loud = x.copy()
    for second in (0.5, 2.0, 3.3, 5.1, 7.0, 8.5):
        first = round(second * RATE)
        loud[first : first + len(burst), 0] += burst
    clean, thumping = scouted(tmp_path / "a.wav", x), scouted(tmp_path / "b.wav", loud)
    (rumble,) = [finding for finding in thumping.findings if finding.kind == "rumble"]
    assert rumble.confidence > 0.5
    assert rumble.frequency_hz == pytest.approx(45.0, rel=0.05)
    assert thumping.tilt.lowest == pytest.approx(clean.tilt.lowest, rel=0.3)
    np.testing.assert_allclose(thumping.tilt.trend, clean.tilt.trend, atol=1.0)
    gate = plan(thumping).moves[0]
    assert gate.band.shape == "highpass"
    at = np.array([45.0])
    taken = -20 * np.log10(np.abs(filters.response(gate.band.sections(RATE), at, RATE)))[0]
    assert taken > 12.0
    assert f"rumble at 45 Hz ({rumble.note}), of which it takes {taken:.0f} dB" in gate.reason


@pytest.mark.parametrize(("frequency", "slope"), [(14.0, 24.0), (55.0, 36.0)])
def test_the_high_pass_is_steeper_only_where_it_must_be(scouting, frequency, slope):
    """At 90 Hz, 24 dB an octave take 65 dB at 14 Hz, and 17 dB at 55 Hz."""
    rumble = Finding("rumble", frequency, None, 20.0, 0.1, 0.9, None, note="24 thumps")
    scouting.tilt.lowest, lowest = 200.0, scouting.tilt.lowest
    gate = plan(replace(scouting, findings=(rumble,))).moves[0]
    scouting.tilt.lowest = lowest
    assert (gate.band.frequency, gate.band.slope) == (90.0, slope)


# ---------------------------------------------------------------------------- sweeps and glide
def test_the_gliding_bell_stands_where_the_cookbook_does():
    """Robert Bristow-Johnson, Audio EQ Cookbook: the bell, by the bilinear transform."""
    impulse = np.zeros((4096, 1))
    impulse[0] = 1.0
    for frequency, gain, q in [(1000.0, 6.0, 1.0), (2500.0, 12.0, 8.0), (15000.0, -9.0, 3.0)]:
        y = glide_bell(impulse, 48000, np.full(4096, frequency), gain, q)
        at = np.fft.rfftfreq(4096, 1 / 48000)
        wanted = filters.response(filters.bell(48000, frequency, gain, q), at, 48000)
        np.testing.assert_allclose(np.fft.rfft(y[:, 0]), wanted, atol=1e-9)


def test_the_gliding_bell_equals_its_slow_twin(rng):
    x = rng.standard_normal((600, 2))
    frequencies = glide_frequencies(600, 100.0, 9000.0)
    y = glide_bell(x, 44100, frequencies, 12.0, 6.0)
    for lane in range(2):
        slow = gliding_bell(x[:, lane], frequencies, 44100, 12.0, 6.0)
        np.testing.assert_allclose(y[:, lane], slow, atol=1e-12)


def test_a_glide_makes_no_zipper_noise():
    """A sine under a moving bell keeps its energy within a few hertz of itself."""
    rate, frames = 48000, 96000
    sine = 0.1 * np.sin(2 * np.pi * 1000.0 * np.arange(frames) / rate)[:, None]
    y = glide_bell(sine, rate, glide_frequencies(frames, 300.0, 3000.0), 12.0, 8.0)
    power = np.abs(np.fft.rfft(y[:, 0] * np.blackman(frames))) ** 2
    beside = power[2 * 1100 : 2 * 20000].sum()
    assert 10 * np.log10(beside / power.sum()) < -90.0


def test_a_glide_refuses_what_lies_above_half_the_rate():
    with pytest.raises(ValueError, match="does not lie between 0 and 4000"):
        glide_bell(np.zeros((4, 1)), 8000, np.full(4, 4000.0), 6.0, 1.0)


def loudness(x, rate):
    meter = LoudnessMeter(rate, x.shape[1])
    meter.add(np.ascontiguousarray(x))
    return meter.integrated()


def true_peak(x):
    meter = TruePeakMeter(x.shape[1])
    meter.add(np.ascontiguousarray(x))
    return meter.dbtp()


def test_the_three_parts_are_equally_loud_and_safe(rng):
    phrase = np.clip(noise(rng, -9.0, 2 * RATE, 2), -1.0, 1.0)
    finding = Finding("resonance", 800.0, 4.0, 8.0, 0.9, 0.9, -8.0)
    x = evidence(phrase, RATE, finding)
    step = len(phrase) + round(PAUSE * RATE)
    parts = [x[n * step : n * step + len(phrase)] for n in range(3)]
    levels = [loudness(part, RATE) for part in parts]
    assert np.ptp(levels) < 0.3  # the fades take a little from each
    assert true_peak(x) <= -1.0
    bands = [np.abs(np.fft.rfft(p[:, 0])) ** 2 for p in parts]
    near = [b[2 * 780 : 2 * 820].sum() / b.sum() for b in bands]
    assert near[2] < near[0] < near[1]


@pytest.mark.parametrize("part", ["pushed up", "changed"])
def test_the_table_of_sweeps_names_the_filter_that_is_heard(tmp_path, scouted_lead, part):
    """The spectrum of a part against the first is the response of the filter in its row."""
    write_sweeps(scouted_lead, tmp_path)
    with open(tmp_path / "sweeps.csv", newline="") as file:
        rows = {row["part"]: row for row in csv.DictReader(file) if row["finding"] == "air"}
    assert float(rows["as it is"]["gain_db"]) == 0.0
    row = rows[part]
    x, rate = read(tmp_path / row["file"])
    assert len(x) / rate == pytest.approx(float(rows["changed"]["end_seconds"]), abs=0.01)

    def cut(row):
        start, end = (round(float(row[key]) * rate) for key in ("start_seconds", "end_seconds"))
        return x[start:end]

    first, other = (measured(cut(one), rate) for one in (rows["as it is"], row))
    bands = [
        (one.midband_hz, there.level_dbfs - one.level_dbfs)
        for one, there in zip(first.spectrum.bands(12), other.spectrum.bands(12), strict=True)
        if 2000.0 < one.midband_hz < 16000.0
    ]
    at, change = (np.array(values) for values in zip(*bands, strict=True))
    sections = {"bell": filters.bell, "high_shelf": filters.high_shelf}[row["shape"]](
        rate, float(row["frequency_hz"]), float(row["gain_db"]), float(row["q"])
    )
    wanted = 20 * np.log10(np.abs(filters.response(sections, at, rate)))
    np.testing.assert_allclose(change - change.mean(), wanted - wanted.mean(), atol=0.3)


def test_a_glide_is_safe_and_its_table_tells_where_it_is(scouting, tmp_path, rng):
    written = write_sweeps(scouting, tmp_path, Glide(200.0, 3000.0, 12.0, 2.0))
    assert {"glide.wav", "glide.csv"} <= {path.name for path in written}
    with open(tmp_path / "sweeps.csv", newline="") as file:
        (row,) = [row for row in csv.DictReader(file) if row["file"] == "glide.wav"]
    told = ("part", "start_seconds", "end_seconds", "shape", "q", "gain_db")
    assert [row[key] for key in told] == ["glide", "0.00", "2.00", "bell", "8.00", "12.00"]
    with open(tmp_path / "glide.csv", newline="") as file:
        rows = [(float(r["seconds"]), float(r["frequency_hz"])) for r in csv.DictReader(file)]
    assert rows[0] == (0.0, 200.0)
    assert rows[-1] == (2.0, 3000.0)
    assert rows[100][1] == pytest.approx(np.sqrt(200.0 * 3000.0), rel=1e-3)
    for path in written:
        if path.suffix == ".wav":
            assert true_peak(read(path)[0]) <= -1.0
    # Loud noise is brought down, and where the table says, it is loudest.
    x, frequencies = glided(np.clip(noise(rng, -3.0, RATE), -1, 1), RATE, Glide(500, 2000))
    assert true_peak(x) <= -1.0
    for at in (0.25, 0.75):
        middle = round(at * len(x))
        piece = x[middle - 4000 : middle + 4000, 0]
        powers = np.abs(np.fft.rfft(piece * np.hanning(8000))) ** 2
        smooth = np.convolve(powers, np.ones(40), mode="same")
        assert smooth.argmax() * 2.0 == pytest.approx(frequencies[middle], rel=0.08)
