"""What the finder of resonances must find, and what it must leave alone.

Signals are made here, or are the invented voice of `chainkit.dsp.voice`; what is planted is drawn
anew for each seed. Tolerances are those the tool promises.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from data.espeak import speak
from data.voices import Missing

from chainkit.dsp import voice
from chainkit.dsp.levels import to_gain
from chainkit.dsp.ringing import excitation, log_cells, room_noise
from chainkit.dsp.ringing.resonance import Resonance, distinct, find_resonances

SURE = 0.5
SECONDS = 8.0


def pink(rng: np.random.Generator, rate: int) -> np.ndarray:
    """Noise of equal power in each octave."""
    frames = int(SECONDS * rate)
    spectrum = np.fft.rfft(rng.standard_normal(frames))
    spectrum /= np.sqrt(np.maximum(np.arange(len(spectrum)), SECONDS * 10.0))
    noise = np.fft.irfft(spectrum, frames)
    return 0.1 * noise / noise.std()


def tone(pitch: np.ndarray, rate: int, slope: float) -> np.ndarray:
    """Harmonics of a moving pitch, `slope` dB per octave, none above 0.47 rate."""
    phase = 2.0 * np.pi * np.cumsum(pitch) / rate
    x = np.zeros(len(pitch))
    for number in range(1, int(0.47 * rate / pitch.min()) + 1):
        fade = np.clip((0.47 * rate - number * pitch) / (0.02 * rate), 0.0, 1.0)
        gain = to_gain(slope * np.log2(number))
        x += gain * fade * np.sin(number * phase + 2.4 * number**2)
    return 0.1 * x / x.std()


def glide(rng: np.random.Generator, rate: int) -> np.ndarray:
    """A harmonic tone that glides up and down again."""
    place = 0.5 - 0.5 * np.cos(2.0 * np.pi * np.arange(int(SECONDS * rate)) / (SECONDS * rate))
    pitch = rng.uniform(85.0, 130.0) * 2.0 ** (rng.uniform(1.1, 1.9) * place)
    return tone(pitch, rate, rng.uniform(-11.0, -5.0))


def held(rng: np.random.Generator, rate: int) -> np.ndarray:
    """One note, with a vibrato of at most a quarter tone to either side."""
    time = np.arange(int(4.0 * rate)) / rate
    vibrato = 1.0 + rng.uniform(0.0, 0.028) * np.sin(2.0 * np.pi * 5.3 * time)
    return tone(rng.uniform(90.0, 400.0) * vibrato, rate, rng.uniform(-11.0, -5.0))


def sung(rng: np.random.Generator, rate: int) -> np.ndarray:
    """The invented voice."""
    register = ("low", "high")[int(rng.integers(2))]
    song = voice.sing(rate, seconds=24.0, register=register, seed=int(rng.integers(1000)))
    return song.voice[:, 0]


def spoken() -> tuple[np.ndarray, int]:
    """Some seconds of synthetic speech."""
    text = (
        "Every voice has its own colour, and every room gives its shadow to what is spoken in it. "
        "She sells fresh fish each Sunday, but nobody knows why the harbour master buys none. "
        "Please call the office before noon; we shall need five large boxes and much more time. "
        "Young people often argue about the weather, yet few of them ever carry an umbrella."
    )
    try:
        x, rate, _ = speak(text, "gmw/en-US")
    except Missing as missing:
        pytest.skip(str(missing))
    return x[:, 0], rate


def mouth(rng: np.random.Generator, rate: int) -> np.ndarray:
    """A gliding tone through peaks that waver a little, in turn with hiss that lacks them."""
    tone, turn = glide(rng, rate), np.arange(int(SECONDS * rate)) / rate % 1.0
    voiced = np.zeros(len(tone))
    for second in range(int(SECONDS)):
        part = tone
        for peak in (2600.0, 3900.0, 7600.0):
            wavering = peak * 2.0 ** rng.uniform(-0.1, 0.1)
            part = voice.plant(part, rate, voice.PlantedResonance(wavering, 8.0, 12.0))
        inside = slice(second * rate, (second + 1) * rate)
        voiced[inside] = part[inside]
    hiss = 0.03 * rng.standard_normal(len(voiced))
    return np.where(turn < 0.6, voiced, np.where((turn > 0.65) & (turn < 0.95), hiss, 0.0))


def drawn(rng: np.random.Generator) -> voice.PlantedResonance:
    """A resonance of any size that ought to be found."""
    frequency = 150.0 * (8000.0 / 150.0) ** rng.random()
    return voice.PlantedResonance(frequency, rng.uniform(5.0, 20.0), rng.uniform(6.0, 12.0))


def fits(found: Resonance, planted: voice.PlantedResonance) -> bool:
    """Whether it is the one that was planted, so that its cut brings it level."""
    near = abs(found.frequency / planted.frequency - 1.0) < 0.03
    return near and abs(found.q / planted.q - 1.0) < 0.3 and abs(found.gain_db - planted.gain) < 1.5


@pytest.mark.parametrize(("make", "seeds"), [(pink, 2), (glide, 2), (sung, 2)])
def test_planted_resonances_are_found_and_measured(make: Callable, seeds: int) -> None:
    found = 0
    for seed in range(seeds):
        rng = np.random.default_rng([seed, 77])
        planted = drawn(rng)
        x = voice.plant(make(rng, 32000), 32000, planted)
        found += any(fits(one, planted) for one in find_resonances(x, 32000))
    assert found == seeds


@pytest.mark.parametrize("place", [1100.0, 5200.0])
def test_planted_resonances_are_found_in_speech(place: float) -> None:
    x, rate = spoken()
    planted = voice.PlantedResonance(place, 9.0, 10.0)
    found = find_resonances(voice.plant(x, rate, planted), rate)
    near = [one for one in found if abs(one.frequency / place - 1.0) < 0.03]
    assert [one.confidence > SURE for one in near] == [True]


def test_peaks_that_the_hiss_lacks_are_the_voice_s_own() -> None:
    x, planted = mouth(np.random.default_rng(79), 32000), voice.PlantedResonance(5200.0, 9.0, 10.0)
    assert [one for one in find_resonances(x, 32000) if one.confidence > SURE] == []
    sure = [
        one
        for one in find_resonances(voice.plant(x, 32000, planted), 32000)
        if one.confidence > SURE
    ]
    assert len(sure) == 1
    assert fits(sure[0], planted)


@pytest.fixture(scope="module")
def high() -> np.ndarray:
    """The invented voice at 16 kHz, which does not sing below 230 Hz here."""
    return voice.sing(16000, seconds=40.0, register="high", seed=4).voice[:, 0]


def test_the_pauses_hint_at_what_rings_below_the_voice(high: np.ndarray) -> None:
    planted = voice.PlantedResonance(175.0, 10.0, 10.0)
    assert [one for one in find_resonances(high, 16000) if one.frequency < 200.0] == []
    found = find_resonances(voice.plant(high, 16000, planted), 16000)
    low = [one for one in found if one.frequency < 200.0]
    assert len(low) == 1
    assert low[0].frequency == pytest.approx(175.0, rel=0.03)
    assert low[0].q == pytest.approx(10.0, rel=0.4)
    assert low[0].gain_db == pytest.approx(10.0, abs=3.0)
    assert 0.1 <= low[0].confidence <= SURE


def test_hum_in_the_pauses_is_left_out(high: np.ndarray) -> None:
    rate = 16000
    hum = 0.0005 * np.sin(2.0 * np.pi * 180.0 * np.arange(len(high)) / rate)
    cells = log_cells.centres(rate)

    def seen(signal: np.ndarray) -> set[int]:
        followed = excitation.track(signal, rate, cells)
        (one,) = room_noise.pauses(signal, rate, followed, cells)
        return set(one.cells[np.abs(cells[one.cells] / 180.0 - 1.0) < 0.02])

    assert len(seen(high)) >= 2
    assert seen(high + hum) == set()


def test_the_rounding_under_a_pure_tone_is_no_resonance():
    """Sixteen bits without dither leave lines of their own 90 dB below the tone."""
    rate = 48_000
    x = 0.2 * np.sin(2 * np.pi * 220.0 * np.arange(8 * rate) / rate)
    found = find_resonances(np.rint(x * 32768) / 32768, rate)
    assert [one for one in found if one.confidence > 0.5] == []


@pytest.mark.parametrize("make", [pink, glide, held])
def test_nothing_sure_is_found_where_nothing_rings(make: Callable) -> None:
    for seed in range(2):
        found = find_resonances(make(np.random.default_rng([seed, 78]), 32000), 32000)
        assert [one for one in found if one.confidence > SURE] == []


@pytest.mark.parametrize("rate", [16000, 44100, 96000])
def test_any_rate_will_do(rate: int) -> None:
    planted = voice.PlantedResonance(1234.0, 9.0, 10.0)
    x = voice.plant(pink(np.random.default_rng(5), rate), rate, planted)
    best = find_resonances(x, rate)[0]
    assert fits(best, planted)
    assert best.confidence > SURE
    assert best.share == pytest.approx(1.0, abs=0.02)


def test_two_are_told_apart() -> None:
    pair = (voice.PlantedResonance(420.0, 8.0, 10.0), voice.PlantedResonance(2600.0, 12.0, 10.0))
    x = pink(np.random.default_rng(6), 32000)
    for planted in pair:
        x = voice.plant(x, 32000, planted)
    found = find_resonances(x, 32000)
    assert all(any(fits(one, planted) for one in found) for planted in pair)


def test_level_changes_nothing() -> None:
    x = voice.plant(
        pink(np.random.default_rng(7), 16000), 16000, voice.PlantedResonance(900, 8, 10)
    )
    loud, faint = find_resonances(x, 16000), find_resonances(0.001 * x, 16000)
    assert [one.frequency for one in faint] == pytest.approx([one.frequency for one in loud])
    assert [one.gain_db for one in faint] == pytest.approx([one.gain_db for one in loud], abs=0.01)


def test_share_tells_how_long_the_band_sounds() -> None:
    x = voice.plant(
        pink(np.random.default_rng(8), 16000), 16000, voice.PlantedResonance(900, 8, 10)
    )
    x[len(x) // 2 :] = 0.0
    assert find_resonances(x, 16000)[0].share == pytest.approx(0.5, abs=0.05)


def test_long_recordings_are_heard_in_pieces() -> None:
    planted = voice.PlantedResonance(700.0, 8.0, 10.0)
    x = voice.plant(pink(np.random.default_rng(9), 16000), 16000, planted)
    assert fits(find_resonances(np.tile(x, 10), 16000)[0], planted)


@pytest.mark.parametrize("x", [np.zeros(0), np.zeros(32000), np.ones(7999) * 0.1])
def test_silence_and_moments_hold_nothing(x: np.ndarray) -> None:
    assert find_resonances(x, 8000) == []


@pytest.mark.parametrize(("shape", "rate"), [((9000, 2), 8000), ((9000,), 7999)])
def test_misuse_is_told(shape: tuple[int, ...], rate: int) -> None:
    with pytest.raises(ValueError, match="one dimension and a rate of at least 8000 Hz"):
        find_resonances(np.zeros(shape), rate)


def test_one_hump_is_told_once():
    """A hump taller than a bell may be gets two bells; two that stand apart are two."""
    tall = Resonance(739.91, 34.3, 24.0, 0.9, 0.9)
    again = Resonance(739.92, 34.4, 24.0, 0.9, 0.8)
    wide = Resonance(700.0, 4.0, 6.0, 0.9, 0.9)
    assert distinct([again, wide, tall]) == [tall, wide]


def test_an_organ_has_no_resonance_twice():
    """Its few partials tower; one of them gets three bells of the same place and width."""
    rate, rng = 16000, np.random.default_rng(0)
    time = np.arange(2 * rate) / rate
    fade = np.minimum(1.0, np.minimum(time, 2.0 - time) / 0.01)
    drawbars = ((0.5, 1), (1, 1), (1.5, 0.6), (2, 0.8), (3, 0.4), (4, 0.4), (6, 0.3), (8, 0.3))
    chords = []
    for root in rng.choice((130.8, 146.8, 164.8, 174.6, 196.0, 220.0), 8):
        notes = [root * interval for interval in (1.0, 1.25, 1.5, 2.0)]
        partials = [
            amplitude * np.sin(2 * np.pi * note * k * time + k)
            for note in notes
            for k, amplitude in drawbars
        ]
        chords.append(fade * np.sum(partials, axis=0))
    found = find_resonances(0.04 * np.concatenate(chords), rate)
    assert found
    assert found == distinct(found)
