"""An invented band that swells and thins: drums with hi-hat, bass, pad; with its swell as truth."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from chainkit.dsp.voice import noise
from chainkit.dsp.voice.phones import NoiseShape

Samples = NDArray[np.float64]

BEATS_A_MINUTE = (84.0, 104.0)
ROOTS = (55.0, 43.65, 65.41, 49.0)  # Hz: four bars, then again
CHORDS = ((0, 3, 7, 12), (0, 4, 7, 11), (0, 4, 7, 14), (0, 4, 7, 9))  # semitones above each root
SWELL_SECONDS = (4.0, 9.0)  # between two points
THIN, FULL = (-14.0, -7.0), (-3.0, 0.0)  # dB, by turns
PAN = {"snare": 0.1, "hat": 0.35}  # 0 middle, 1 right
LEVELS = {"kick": 0.9, "snare": 0.5, "hat": 0.16, "bass": 0.35, "pad": 0.2}
HAT = NoiseShape(9500.0, 20.0, 3.0)
SNARE = NoiseShape(1800.0, 5.0, 4.0)


@dataclass(frozen=True)
class Accompaniment:
    """A band without the voice.

    Parameters
    ----------
    audio : ndarray, (frames, 2)
    hats : ndarray, (frames, 2)
        The hi-hat alone, as it lies in `audio`: for bleed.
    rate : int, Hz
    swell : tuple of (seconds, dB)
        Gain of the whole band; straight lines in dB between these points, held at both ends.
    """

    audio: Samples
    hats: Samples
    rate: int
    swell: tuple[tuple[float, float], ...]


def accompany(rate: int, seconds: float, seed: int, *, level: float = -6.0) -> Accompaniment:
    """Play an invented backing.

    Parameters
    ----------
    rate : int, Hz, >= 8000
    seconds : float, > 0
    seed : int
        The same seed gives the same parts at every rate.
    level : float, dBFS
        Greatest sample.

    Returns
    -------
    Accompaniment

    Raises
    ------
    ValueError
        `rate` or `seconds` is out of range.
    """
    if rate < 8000 or seconds <= 0:
        raise ValueError(f"rate {rate} Hz must be at least 8000 Hz and {seconds} s be positive")
    part_rng, sound_rng = np.random.default_rng(seed).spawn(2)
    frames = round(seconds * rate)
    swell = _swell(seconds, part_rng)
    beat = 60.0 / part_rng.uniform(*BEATS_A_MINUTE)
    band = _Band(rate, frames, beat, sound_rng)
    bars = int(seconds / (4 * beat)) + 1
    for bar in range(bars):
        band.play_bar(bar, part_rng)
    audio, hats = band.audio, band.hats
    audio += hats
    gain = _line(swell, frames, rate)[:, None]
    audio *= gain
    hats *= gain
    scale = 10.0 ** (level / 20.0) / np.max(np.abs(audio))
    audio *= scale
    hats *= scale
    return Accompaniment(audio, hats, rate, swell)


class _Band:
    """Plays bars into (frames, 2); each sound is made once and played again and again."""

    def __init__(self, rate: int, frames: int, beat: float, rng: np.random.Generator) -> None:
        self.audio = np.zeros((frames, 2))
        self.hats = np.zeros((frames, 2))
        self._rate, self._beat = rate, beat
        self._drums = {
            "kick": [_kick(rate)],
            "snare": [_snare(rate, rng) for _ in range(3)],
            "hat": [_hat(rate, decay, rng) for decay in (0.02, 0.03, 0.04, 0.09)],
        }
        self._basses = [_bass(rate, root, 0.9 * beat) for root in ROOTS]
        self._pads = [
            _pad(rate, root * 4, chord, 4.2 * beat, rng)
            for root, chord in zip(ROOTS, CHORDS, strict=True)
        ]

    def play_bar(self, bar: int, rng: np.random.Generator) -> None:
        """One bar of four beats; touch varies from hit to hit."""
        start = 4 * bar * self._beat
        chord = bar % len(ROOTS)
        _place(self.audio, self._pads[chord] * LEVELS["pad"], start, self._rate)
        for beat in range(4):
            at = start + beat * self._beat
            self._play(self.audio, self._basses[chord], "bass", at, rng)
            name = "snare" if beat % 2 else "kick"
            self._play(self.audio, self._any(name, rng), name, at, rng)
            for half in (0.0, 0.5):
                self._play(self.hats, self._any("hat", rng), "hat", at + half * self._beat, rng)

    def _any(self, name: str, rng: np.random.Generator) -> Samples:
        return self._drums[name][int(rng.integers(len(self._drums[name])))]

    def _play(
        self, onto: Samples, sound: Samples, name: str, at: float, rng: np.random.Generator
    ) -> None:
        touch = LEVELS[name] * rng.uniform(0.75, 1.0)
        late = at + rng.uniform(0.0, 0.006)
        pan = PAN.get(name, 0.0)
        sides = np.array([np.cos(np.pi / 4 * (1 + pan)), np.sin(np.pi / 4 * (1 + pan))])
        _place(onto, touch * sound[:, None] * sides, late, self._rate)


def _swell(seconds: float, rng: np.random.Generator) -> tuple[tuple[float, float], ...]:
    points = [(0.0, float(rng.uniform(*THIN)))]
    while points[-1][0] < seconds:
        at = points[-1][0] + float(rng.uniform(*SWELL_SECONDS))
        points.append((at, float(rng.uniform(*(FULL if len(points) % 2 else THIN)))))
    return tuple(points)


def _line(points: tuple[tuple[float, float], ...], frames: int, rate: int) -> Samples:
    times, levels = zip(*points, strict=True)
    return np.asarray(10.0 ** (np.interp(np.arange(frames) / rate, times, levels) / 20.0))


def _kick(rate: int) -> Samples:
    times = np.arange(int(0.35 * rate)) / rate
    turns = 48.0 * times + 2.2 * (1.0 - np.exp(-times / 0.03))  # falls from 120 to 48 Hz
    return np.asarray(np.sin(2 * np.pi * turns) * np.exp(-times / 0.09))


def _snare(rate: int, rng: np.random.Generator) -> Samples:
    times = np.arange(int(0.25 * rate)) / rate
    rattle = noise.shaped(len(times), rate, SNARE, rng) * np.exp(-times / 0.05)
    return np.asarray(
        0.5 * rattle + 0.6 * np.sin(2 * np.pi * 185.0 * times) * np.exp(-times / 0.04)
    )


def _hat(rate: int, decay: float, rng: np.random.Generator) -> Samples:
    times = np.arange(int(6 * decay * rate)) / rate
    return noise.shaped(len(times), rate, HAT, rng) * np.exp(-times / decay)


def _bass(rate: int, root: float, seconds: float) -> Samples:
    times = np.arange(int(seconds * rate)) / rate
    turns = 2 * np.pi * root * times
    tone = np.sum([np.sin(n * turns) / n**1.5 for n in range(1, 9)], axis=0)
    return np.asarray(tone * noise.swelling(times, 0.01, seconds - 0.04, 0.02, 0.08))


def _pad(
    rate: int, root: float, chord: tuple[int, ...], seconds: float, rng: np.random.Generator
) -> Samples:
    """Held chord, a little detuned between left and right; (frames, 2)."""
    times = np.arange(int(seconds * rate)) / rate
    envelope = noise.swelling(times, 0.1, seconds - 0.2, 0.2, 0.4)
    sound = np.zeros((len(times), 2))
    for hz in root * 2.0 ** (np.array(chord) / 12.0):
        for side in range(2):
            detuned = hz * 2.0 ** (rng.normal(0.0, 4.0) / 1200.0)
            sound[:, side] += envelope * _reed(times, detuned, rate)
    return sound


def _reed(times: Samples, hz: float, rate: int) -> Samples:
    """Tone of eight falling harmonics, those above the band left out."""
    tone = np.zeros(len(times))
    for number in range(1, min(8, int(0.45 * rate / hz)) + 1):
        tone += np.sin(number * (2 * np.pi * hz * times + 1.0)) / number**1.3
    return tone


def _place(whole: Samples, part: Samples, at: float, rate: int) -> None:
    first = round(at * rate)
    kept = max(min(len(part), len(whole) - first), 0)
    whole[first : first + kept] += part[:kept]
