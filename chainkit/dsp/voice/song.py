"""Sings a score: assembles voice, noises, breaths and room tone, and keeps the truth."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from chainkit.dsp.voice import noise, phones
from chainkit.dsp.voice.phones import NoiseShape
from chainkit.dsp.voice.score import Composer, Line, Phone
from chainkit.dsp.voice.throat import Timbre, tracks, voiced
from chainkit.dsp.voice.truth import Fricative, Note, Phrase, Plosive, Span

Samples = NDArray[np.float64]

LEAST_SECONDS = 3.0
MARGIN = (0.06, 0.5)  # seconds kept ahead of and behind a phrase for what rises and rings
EVENNESS = 0.6  # share of the differences between a phrase's notes that the singer takes out
POP_SHARE = 0.4  # of the /p/ and /b/ that thump the microphone
BREATH_LEVEL = (-32.0, -21.0)  # dB against the song's own level
BURST_LEVEL = {"p": -9.0, "t": -5.0, "k": -6.0, "b": -14.0, "d": -11.0, "g": -12.0}  # from memory


@dataclass(frozen=True)
class Resonance:
    """A fixed resonance: a bell of `frequency` in Hz, `q`, and `gain` in dB."""

    frequency: float
    q: float
    gain: float


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
    resonance : Resonance or None
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
    resonance: Resonance | None
    edge_hz: float
    floor_dbfs: float


def sing(
    rate: int,
    *,
    seconds: float = 24.0,
    register: str = "low",
    seed: int = 1,
    resonance: Resonance | None = None,
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
    resonance : Resonance, optional
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
        _Take(line, timbre, rate, resonance, rng)
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


def plant(x: Samples, rate: int, resonance: Resonance) -> Samples:
    """`x` with a resonance in it, same shape; x : ndarray, (frames,) or (frames, channels).

    The bell of R. Bristow-Johnson, "Cookbook formulae for audio EQ biquad filter coefficients",
    applied to the whole spectrum at once; what rings past the end is cut off.
    """
    size = noise.quick_length(len(x) + rate // 2)  # 150 Hz at Q 20 rings 0.3 s to −60 dB
    turns = np.exp(-2j * np.pi * np.arange(size // 2 + 1) / size)
    response = _bell(turns, 2.0 * np.pi * resonance.frequency / rate, resonance)
    spectrum = np.fft.rfft(x, size, axis=0)
    return np.asarray(np.fft.irfft((spectrum.T * response).T, size, axis=0)[: len(x)])


def _check(rate: int, seconds: float, register: str) -> None:
    if rate < 8000:
        raise ValueError(f"rate {rate} Hz is below 8000 Hz")
    if seconds < LEAST_SECONDS:
        raise ValueError(f"{seconds} s is too short for a song; at least {LEAST_SECONDS} s")
    if register not in phones.FORMANTS:
        raise ValueError(f"register {register!r} is neither of {', '.join(phones.FORMANTS)}")


def _bell(z: NDArray[np.complex128], w0: float, resonance: Resonance) -> NDArray[np.complex128]:
    root = 10.0 ** (resonance.gain / 40.0)
    alpha = np.sin(w0) / (2.0 * resonance.q)
    middle = -2.0 * np.cos(w0) * z
    over = (1.0 + alpha * root) + middle + (1.0 - alpha * root) * z * z
    under = (1.0 + alpha / root) + middle + (1.0 - alpha / root) * z * z
    return np.asarray(over / under)


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


class _Take:
    """One phrase: its truth, drawn when made, and its sound from frame `first` of the song."""

    def __init__(
        self,
        line: Line,
        timbre: Timbre,
        rate: int,
        resonance: Resonance | None,
        rng: np.random.Generator,
    ) -> None:
        self.line = line
        self._timbre, self._rate, self._rng = timbre, rate, rng
        self._resonance = resonance
        begin = (line.breath or line).start - MARGIN[0]
        self.first = int(begin * rate)
        self._frames = int((line.end + MARGIN[1]) * rate) - self.first
        # Drawn before any sample, so that the truth is the same at every rate.
        self._shapes = {phone: self._shape(phone) for phone in line.phones if _is_hiss(phone)}
        self._against = {phone: self._level(phone) for phone in self._shapes}
        self._openings = {phone: self._opening(phone) for phone in line.phones if _stops(phone)}

    def fricatives(self) -> list[Fricative]:
        """Truth of the hisses."""
        return [
            Fricative(p.start, p.end, p.symbol, shape.peak, shape.edge, self._against[p])
            for p, shape in self._shapes.items()
        ]

    def plosives(self) -> list[Plosive]:
        """Truth of the plosives."""
        return [Plosive(p.start, p.end, p.symbol, at) for p, at in self._openings.items()]

    def notes(self) -> list[Note]:
        """Truth of the vowels."""
        sung = [p for p in self.line.phones if p.symbol not in phones.LENGTHS]
        return [Note(p.start, p.end, p.symbol, p.hz, p.bright) for p in sung]

    def _shape(self, phone: Phone) -> NoiseShape:
        vary, steep = self._rng.uniform(0.96, 1.04), self._rng.uniform(22.0, 34.0)
        if phone.symbol in phones.DULL:
            shape = phones.DULL_SHAPES[phone.symbol]
            return replace(shape, peak=self._heard(shape.peak * vary))
        own = self._timbre.s_peak if phone.symbol in ("s", "z") else self._timbre.sh_peak
        return NoiseShape(self._heard(own * vary), steep, self._timbre.above, -36.0)

    def _heard(self, peak: float) -> float:
        """A peak that the rate can hold: what lies above half of it never reached the file."""
        return float(min(peak, 0.46 * self._rate))

    def _level(self, phone: Phone) -> float:
        mean, spread = phones.AGAINST_VOWEL[phone.symbol]
        most = phones.GREATEST_DEVIATION
        return mean + float(np.clip(self._rng.normal(0.0, spread), -most, most))

    def _opening(self, phone: Phone) -> float:
        tail = 0.018 if phone.symbol in ("b", "d", "g") else self._rng.uniform(0.025, 0.045)
        return phone.end - float(tail)

    def sound(self) -> Samples:
        """The phrase with its breath, (frames,); to be asked for once."""
        origin, seconds = self.first / self._rate, self._frames / self._rate
        control = tracks(self.line, origin, seconds, self._timbre, self._rng)
        sung, phase = voiced(control, self._frames, self._rate, self._timbre, self._rng)
        sung = self._evened(sung)
        sound = sung.copy()
        for phone in self.line.phones:
            self._add_noise(sound, phone, self._vowel_rms(sung, phone), phase)
        sound = self._heard_in_room(sound)
        sound *= 10.0 ** (self.line.level / 20.0) / _rms(sound[self._inside(self.line)])
        return sound + self._breath()

    def _evened(self, sung: Samples) -> Samples:
        """A singer makes up for much of what some vowels and pitches carry better than others."""
        notes = self.notes()
        levels = np.log([_rms(sung[self._inside(note, -0.03)]) for note in notes])
        middles = [(note.start + note.end) / 2.0 for note in notes]
        makeup = EVENNESS * (np.mean(levels) - levels)
        return np.asarray(sung * np.exp(np.interp(self._times, middles, makeup)))

    def _add_noise(self, sound: Samples, phone: Phone, vowel: float, phase: Samples) -> None:
        window = self._inside(phone, 0.03)
        times = self._times[window]
        if phone in self._shapes:
            gain = vowel * 10.0 ** (self._against[phone] / 20.0)
            hiss = noise.hiss(
                times, phone.start, phone.end, self._rate, self._shapes[phone], self._rng
            )
            # Under /z/ the hiss comes in puffs, one for each pulse of the voice.
            puffs = 1.0 + 0.6 * np.cos(2.0 * np.pi * phase[window]) * (phone.symbol == "z")
            sound[window] += gain * hiss * puffs / np.sqrt(1.0 + 0.18 * (phone.symbol == "z"))
        if phone in self._openings:
            sound[window] += vowel * self._release(times, phone)

    def _release(self, times: Samples, phone: Phone) -> Samples:
        opening = self._openings[phone]
        level = BURST_LEVEL[phone.symbol] + self._rng.uniform(-3.0, 3.0)
        release = 10.0 ** (level / 20.0) * noise.burst(
            times, opening, phone.end, phone.symbol, self._rate, self._rng
        )
        pops = phone.symbol in ("p", "b") and self._rng.uniform() < POP_SHARE
        return release + noise.pop(times, opening, self._rng) * pops

    def _breath(self) -> Samples:
        taken = self.line.breath
        if taken is None:
            return np.zeros(self._frames)
        level = self._rng.uniform(*BREATH_LEVEL)
        sound = noise.breath(self._times, taken.start, taken.end, self._rate, self._rng)
        return 10.0 ** (level / 20.0) * self._heard_in_room(sound)

    def _heard_in_room(self, sound: Samples) -> Samples:
        return sound if self._resonance is None else plant(sound, self._rate, self._resonance)

    @property
    def _times(self) -> Samples:
        """Second of each frame."""
        return (self.first + np.arange(self._frames)) / self._rate

    def _inside(self, span: Span | Line, margin: float = 0.0) -> slice:
        first = round((span.start - margin) * self._rate) - self.first
        last = round((span.end + margin) * self._rate) - self.first
        return slice(max(first, 0), min(last, self._frames))

    def _vowel_rms(self, sung: Samples, phone: Phone) -> float:
        """RMS of the vowel behind `phone`, or of the last one ahead of it; ends left out."""
        vowels = [p for p in self.line.phones if p.symbol not in phones.LENGTHS]
        near = next((p for p in vowels if p.start >= phone.start), vowels[-1])
        return _rms(sung[self._inside(near, -0.03)])


def _song(
    takes: list[_Take],
    voice: Samples,
    rate: int,
    register: str,
    resonance: Resonance | None,
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


def _is_hiss(phone: Phone) -> bool:
    return phone.symbol in phones.SIBILANTS + phones.DULL


def _stops(phone: Phone) -> bool:
    return phone.symbol in phones.PLOSIVES


def _rms(x: Samples) -> float:
    return float(np.sqrt(np.mean(x**2)))


def _add(whole: Samples, part: Samples, first: int) -> None:
    """Add `part` at frame `first`, what lies outside `whole` left out."""
    low, high = max(first, 0), min(first + len(part), len(whole))
    whole[low:high] += part[low - first : high - first]
