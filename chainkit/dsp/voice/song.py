"""Sings a whole song: phrases in their places over a room's tone, with the truth of them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from chainkit.dsp.voice import noise, phones
from chainkit.dsp.voice.resonance import PlantedResonance
from chainkit.dsp.voice.score import Composer
from chainkit.dsp.voice.take import Take
from chainkit.dsp.voice.throat import Timbre
from chainkit.dsp.voice.truth import Fricative, Note, Phrase, Plosive, Span

Samples = NDArray[np.float64]

LEAST_SECONDS = 3.0


@dataclass(frozen=True)
class Song:
    """A sung voice and what is true of it.

    Parameters
    ----------
    voice : ndarray, (frames, 1)
    rate : int, Hz
    register : str
        "low" or "high".
    phrases, notes, breaths, plosives : tuples of records, in order of time
    sibilants : tuple of Fricative
        Of kind s, z, sh, ch.
    dull : tuple of Fricative
        Of kind f and th: hisses that are no sibilants.
    resonance : PlantedResonance or None
    edge_hz : float
        Median of the sibilants' edges: this voice's sibilance lies above.
    floor_dbfs : float
        RMS of the room tone.
    """

    voice: Samples
    rate: int
    register: str
    phrases: tuple[Phrase, ...]
    notes: tuple[Note, ...]
    sibilants: tuple[Fricative, ...]
    dull: tuple[Fricative, ...]
    plosives: tuple[Plosive, ...]
    breaths: tuple[Span, ...]
    resonance: PlantedResonance | None
    edge_hz: float
    floor_dbfs: float


def sing(
    rate: int,
    *,
    seconds: float = 24.0,
    register: str = "low",
    seed: int = 1,
    resonance: PlantedResonance | None = None,
    level: float = -6.0,
    floor: float = -66.0,
) -> Song:
    """Sing an invented song.

    Parameters
    ----------
    rate : int, Hz, >= 8000
    seconds : float, >= 3
    register : str
        "low" (98 to 233 Hz) or "high" (233 to 554 Hz).
    seed : int
        The same seed gives the same score, with the same times, at every rate.
    resonance : PlantedResonance, optional
        Planted in everything the microphone hears, room tone left out.
    level : float, dBFS
        Greatest sample of the voice.
    floor : float, dBFS
        RMS of the room tone.

    Returns
    -------
    Song

    Raises
    ------
    ValueError
        `rate`, `seconds` or `register` is out of range.
    """
    _check(rate, seconds, register)
    score_rng, singer_rng, sound_rng, room_rng = np.random.default_rng(seed).spawn(4)
    timbre = _timbre(register, singer_rng)
    lines = Composer(score_rng, register).song(seconds)
    takes = [
        Take(line, timbre, rate, resonance, rng)
        for line, rng in zip(lines, sound_rng.spawn(len(lines)), strict=True)
    ]
    frames = round(seconds * rate)
    voice = np.zeros(frames)
    for take in takes:
        _add(voice, take.sound(), take.first)
    gain = 10.0 ** (level / 20.0) / np.max(np.abs(voice))
    voice *= gain
    voice += 10.0 ** (floor / 20.0) * noise.room_tone(frames, rate, room_rng)
    rest = 10.0 ** (level / 20.0) / np.max(np.abs(voice))  # what the room tone did to the peak
    voice *= rest
    return _song(
        takes, voice, rate, register, resonance, floor, 20.0 * float(np.log10(gain * rest))
    )


def _check(rate: int, seconds: float, register: str) -> None:
    if rate < 8000:
        raise ValueError(f"rate {rate} Hz is below 8000 Hz")
    if seconds < LEAST_SECONDS:
        raise ValueError(f"{seconds} s is too short for a song; at least {LEAST_SECONDS} s")
    if register not in phones.FORMANTS:
        raise ValueError(f"register {register!r} is neither of {', '.join(phones.FORMANTS)}")


def _timbre(register: str, rng: np.random.Generator) -> Timbre:
    peaks = phones.SPEAKER_PEAK[register]
    return Timbre(
        register=register,
        vibrato_hz=rng.uniform(5.0, 6.3),
        vibrato_cents=rng.uniform(25.0, 60.0),
        breathiness=rng.uniform(0.3, 1.2),
        size=rng.uniform(0.96, 1.06),
        s_peak=peaks["s"] * rng.uniform(0.92, 1.08),
        sh_peak=peaks["sh"] * rng.uniform(0.94, 1.06),
        above=rng.uniform(16.0, 26.0),
    )


def _song(
    takes: list[Take],
    voice: Samples,
    rate: int,
    register: str,
    resonance: PlantedResonance | None,
    floor: float,
    gain_db: float,
) -> Song:
    hisses = [hiss for take in takes for hiss in take.fricatives()]
    sibilants = tuple(hiss for hiss in hisses if hiss.kind in phones.SIBILANTS)
    return Song(
        voice=np.ascontiguousarray(voice[:, None]),
        rate=rate,
        register=register,
        phrases=tuple(Phrase(t.line.start, t.line.end, t.line.level + gain_db) for t in takes),
        notes=tuple(note for take in takes for note in take.notes()),
        sibilants=sibilants,
        dull=tuple(hiss for hiss in hisses if hiss.kind in phones.DULL),
        plosives=tuple(plosive for take in takes for plosive in take.plosives()),
        breaths=tuple(take.line.breath for take in takes if take.line.breath),
        resonance=resonance,
        edge_hz=float(np.median([s.edge_hz for s in sibilants])) if sibilants else float("nan"),
        floor_dbfs=floor,
    )


def _add(whole: Samples, part: Samples, first: int) -> None:
    """Add `part` at frame `first`, what lies outside `whole` left out."""
    low, high = max(first, 0), min(first + len(part), len(whole))
    whole[low:high] += part[low - first : high - first]
