"""One phrase made sound: voice, hisses, bursts and breath brought together at their levels."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from chainkit.dsp.voice import noise, phones
from chainkit.dsp.voice.phones import NoiseShape
from chainkit.dsp.voice.resonance import PlantedResonance, plant
from chainkit.dsp.voice.score import Line, Phone
from chainkit.dsp.voice.throat import Timbre, tracks, voiced
from chainkit.dsp.voice.truth import Fricative, Note, Plosive, Span

Samples = NDArray[np.float64]

MARGIN = (0.06, 0.5)  # seconds kept ahead of and behind a phrase for what rises and rings
EVENNESS = 0.6  # share of the differences between a phrase's notes that the singer takes out
REACH = 0.03  # seconds of a hiss's rise ahead of its start and fall behind its end, and to spare
THUMP = 0.25  # seconds a pop has to die away
PUFF = 0.6  # depth to which the hiss of /z/ follows the voice's pulses
POP_SHARE = 0.4  # of the /p/ and /b/ that thump the microphone
BREATH_LEVEL = (-32.0, -21.0)  # dB against the song's own level
BURST_LEVEL = {"p": -9.0, "t": -5.0, "k": -6.0, "b": -14.0, "d": -11.0, "g": -12.0}  # from memory


class Take:
    """One phrase: its truth, drawn when made, and its sound from frame `first` of the song."""

    def __init__(
        self,
        line: Line,
        timbre: Timbre,
        rate: int,
        resonance: PlantedResonance | None,
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
        if phone in self._shapes:
            window = self._inside(phone, REACH)
            sound[window] += vowel * self._hiss(phone, self._times[window], phase[window])
        if phone in self._openings:
            window = self._inside(Span(phone.start, phone.end + THUMP))
            sound[window] += vowel * self._release(phone, self._times[window])

    def _hiss(self, phone: Phone, times: Samples, phase: Samples) -> Samples:
        shape = self._shapes[phone]
        hiss = noise.hiss(times, phone.start, phone.end, self._rate, shape, self._rng)
        if phone.symbol == "z":  # the voice lets its hiss through in puffs, one for each pulse
            hiss *= (1.0 + PUFF * np.cos(2.0 * np.pi * phase)) / np.sqrt(1.0 + PUFF**2 / 2.0)
        return np.asarray(10.0 ** (self._against[phone] / 20.0) * hiss)

    def _release(self, phone: Phone, times: Samples) -> Samples:
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


def _is_hiss(phone: Phone) -> bool:
    return phone.symbol in phones.SIBILANTS + phones.DULL


def _stops(phone: Phone) -> bool:
    return phone.symbol in phones.PLOSIVES


def _rms(x: Samples) -> float:
    return float(np.sqrt(np.mean(x**2)))
