"""Where a voice sings: phrases, the gaps between them, and the breaths in the gaps.

A hop of 10 ms belongs to the singing when it is loud, when it is voiced and clearly above the
room, or when it is part of a short hiss, as consonants are. Breath is none of these: it is noise
well below the voice, and longer or duller than a consonant. Short holes (stops, weak consonants)
stay inside their phrase; specks of sound (lips, bleed) make none.

The loud phrases are found first. What is voiced in the gaps between them is a phrase too, however
quiet beside them, if it lasts and stands out from what else is in its gap: a quiet verse does;
bleed and reverb, which fill the gap or die away in it, do not.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from chainkit.dsp import filters
from chainkit.dsp.cascade import Cascade
from chainkit.dsp.levels import power_to_db
from chainkit.dsp.loudness import HOPS_A_SECOND, channel_weights, k_weighting
from chainkit.dsp.voicing import VoicingMeter

Values = NDArray[np.float64]
Mask = NDArray[np.bool_]

SMOOTHING = 5  # hops over which levels are averaged: 50 ms, several periods of a low voice
PERIODIC = 0.6  # voiced above this: noise of the voicing meter's band stays below it
LOUD = -12.0  # dB against the voice: louder than breath is, even when it is not voiced
FAINT = -22.0  # dB against the voice: the least that a voiced hop of a phrase can have
INAUDIBLE = -50.0  # dB against the voice: a room below this might as well be silent
FAINTEST_LOUD = -14.0  # dB against the voice: what is quieter has to stand out by voicing
FAINTEST = -27.0  # dB against the voice: below it another voice bleeds in
BELOW_PHRASE = -17.0  # dB against its phrase: the least that singing in it can have
ABOVE_ROOM = 8.0  # dB that a voiced hop of a phrase stands above the room
ABOVE_GAPS = 12.0  # dB that a quiet phrase stands above the gaps around it, where bleed goes on
AROUND = 150  # hops on either side
ROOM_SHARE = 5.0  # percent of the hops that are quieter than the room's level
HISS_ABOVE = 3000.0  # Hz: consonants hiss above, breath has much of its noise below
HISSING = 0.32  # share of the K-weighted power (a hiss gains up to 4 dB by the weighting)
HISS_LENGTHS = 8, 24  # hops: a shorter hiss is a click or a hi-hat's, a longer one breath
SPECK = 12  # hops: with less singing than this, a stretch is no phrase
HOLE = 18  # hops: a shorter hole is part of its phrase
SILENCE = 1e-14  # mean square of −140 dBFS
ABOVE_SILENCE = 3.0  # dB above the room: the least level of a sound in a gap
DIP = 8.0  # dB below what is loudest on either side: silence between two sounds
LOW_ENOUGH = 12.0  # dB: the most that a dip is above the room
BESIDE = 15  # hops on either side of a dip
CONSONANT = 23  # hops: a shorter sound that touches a phrase belongs to it; breaths last 0.2 s
TOUCHING = 5  # hops: the farthest from its phrase
BREATH_LENGTH = 12  # hops: a shorter sound in a gap is no breath
LONGEST_BREATH = 120  # hops
VOICED = 20  # hops: a quiet phrase with less voice in it may be a mumble or a noise
DECAY = 3.0  # dB that what dies away falls within the length of a breath: 60 dB in 2.4 s


@dataclass(frozen=True)
class Stretch:
    """Hops `start` up to, not including, `stop`."""

    start: int
    stop: int

    def __len__(self) -> int:
        return self.stop - self.start


@dataclass(frozen=True)
class Phrasing:
    """What `find` makes of a voice, each in rising order.

    Attributes
    ----------
    phrases : list of Stretch
    breaths : list of Stretch
    others : list of Stretch
        Sounds in the gaps that are neither.
    """

    phrases: list[Stretch]
    breaths: list[Stretch]
    others: list[Stretch] = field(default_factory=list)

    @property
    def spared(self) -> list[Stretch]:
        """What no move may lift: breaths and other sounds."""
        return sorted([*self.breaths, *self.others], key=lambda sound: sound.start)


@dataclass(frozen=True)
class Hops:
    """What is known of each 10 ms of a voice, (hops,) each.

    Attributes
    ----------
    power : ndarray
        K-weighted mean square, summed over the channels as for loudness.
    hiss : ndarray
        Mean square above 3 kHz, without K-weighting.
    voicing : ndarray
        Periodicity, 0 to about 1.
    """

    power: Values
    hiss: Values
    voicing: Values


class HopMeter:
    """Mean square of a filtered signal, summed over the channels, for each 10 ms; streamed.

    Parameters
    ----------
    rate : int, Hz
    channels : int
        In the order of `chainkit.dsp.loudness.channel_weights`.
    sections : ndarray, (sections, 6), optional
        The filter; K-weighting if left out.
    """

    def __init__(self, rate: int, channels: int, sections: Values | None = None) -> None:
        self._rate = rate
        self._weights = channel_weights(channels)
        self._filter = Cascade(k_weighting(rate) if sections is None else sections, channels)
        self._held = np.zeros(0)  # squares of the hop that is not complete
        self._powers: list[Values] = []
        self._hops = 0

    def add(self, block: Values) -> None:
        """Take the next frames, (n, channels)."""
        self._held = np.concatenate((self._held, self._squares(block)))
        first = self._edge(self._hops)
        fitting = (first + len(self._held) + 1) * HOPS_A_SECOND // self._rate + 1
        edges = np.array([self._edge(hop) for hop in range(self._hops, fitting + 1)]) - first
        edges = edges[edges <= len(self._held)]
        whole = self._held[: edges[-1]]
        sums = np.add.reduceat(whole, edges[:-1]) if len(whole) else np.zeros(0)
        self._powers.append(sums / np.diff(edges))
        self._held = self._held[edges[-1] :]
        self._hops += len(sums)

    def finish(self) -> Values:
        """Mean squares, (hops,); an unfinished last hop is left out."""
        return np.concatenate([np.zeros(0), *self._powers])

    def _edge(self, hop: int) -> int:
        """Frame at which `hop` begins."""
        return (hop * self._rate + HOPS_A_SECOND // 2) // HOPS_A_SECOND

    def _squares(self, block: Values) -> Values:
        total = np.zeros(len(block))
        for weight, channel in zip(self._weights, self._filter.process(block).T, strict=True):
            total += weight * channel * channel
        return total


class PhraseMeter:
    """Level, hiss and voicing of a voice for each 10 ms, streamed.

    Parameters
    ----------
    rate : int, Hz, ≥ 8000
    channels : int
    """

    def __init__(self, rate: int, channels: int) -> None:
        self._level = HopMeter(rate, channels)
        above = filters.butterworth("highpass", rate, HISS_ABOVE, 4)
        self._hiss = HopMeter(rate, channels, above)
        self._voicing = VoicingMeter(rate, channels)

    def add(self, block: Values) -> None:
        """Take the next frames, (n, channels)."""
        self._level.add(block)
        self._hiss.add(block)
        self._voicing.add(block)

    def finish(self) -> Hops:
        """What was found; an unfinished last hop is left out."""
        power = self._level.finish()
        return Hops(power, self._hiss.finish(), self._voicing.finish(len(power)))


def find(hops: Hops) -> Phrasing:
    """Phrases, breaths and other sounds of a voice."""
    heard = _Heard(hops)
    loud = _with_weak_edges(_loud_phrases(heard), heard.audible)
    gaps = ~_covered(loud, len(hops.power))
    quiet = _with_weak_edges(_quiet_phrases(heard, gaps), heard.audible & gaps)
    phrases = _bridged(sorted([*loud, *quiet], key=lambda phrase: phrase.start))
    sounds = list(_sounds(heard, _stretches(heard.audible & ~_covered(phrases, len(hops.power)))))
    breaths = [sound for sound in sounds if heard.breathed(sound)]
    return Phrasing(phrases, breaths, [sound for sound in sounds if sound not in breaths])


class _Heard:
    """A voice's hops, told apart by level, voicing and hiss."""

    def __init__(self, hops: Hops) -> None:
        self.power = hops.power
        self.level = power_to_db(np.maximum(smoothed(hops.power, SMOOTHING), SILENCE))
        self.voice = _voice_level(hops.power)
        self.room = max(_room_level(self.level, hops.power), self.voice + INAUDIBLE)
        self.voicing = smoothed(hops.voicing, SMOOTHING)
        self.voiced = self.voicing > PERIODIC
        self.hissing = smoothed(hops.hiss, SMOOTHING) > HISSING * smoothed(hops.power, SMOOTHING)
        self.audible = (self.level > self.room + ABOVE_SILENCE) & ~self._dips()

    def _dips(self) -> Mask:
        """Hops that the mean hides: between a breath and its phrase may be 30 ms of silence."""
        at_once = power_to_db(np.maximum(self.power, SILENCE))
        padded = np.pad(at_once, BESIDE, constant_values=-np.inf)
        loudest = np.lib.stride_tricks.sliding_window_view(padded, BESIDE + 1).max(axis=1)
        beside = np.minimum(loudest[: len(at_once)], loudest[BESIDE:])
        return (at_once < beside - DIP) & (at_once < self.room + LOW_ENOUGH)

    def mean_level(self, stretch: Stretch) -> float:
        """Level in dB of a stretch."""
        return float(power_to_db(self.power[stretch.start : stretch.stop].mean()))

    def breathed(self, sound: Stretch) -> bool:
        """Whether a sound in a gap is short enough, and without voice as breath is."""
        unvoiced = float(self.voicing[sound.start : sound.stop].mean()) < PERIODIC
        return unvoiced and len(sound) <= LONGEST_BREATH

    def stands_out(self, phrase: Stretch, gaps: Mask) -> bool:
        """Whether a stretch is clearly louder than the quietest of the gaps around it."""
        around = slice(max(0, phrase.start - AROUND), phrase.stop + AROUND)
        beside = gaps[around].copy()
        beside[phrase.start - around.start : phrase.stop - around.start] = False
        least = np.percentile(self.level[around][beside], ROOM_SHARE) if beside.any() else np.inf
        return self.mean_level(phrase) > max(self.room, float(least)) + ABOVE_GAPS


def _loud_phrases(heard: _Heard) -> list[Stretch]:
    """Phrases about as loud as the voice is where it is loud."""
    voice, level = heard.voice, heard.level
    least = float(np.clip(heard.room + ABOVE_ROOM, voice + FAINT, voice + LOUD))
    sung = (level > voice + LOUD) | (heard.voiced & (level > least))
    near = _near_phrases(heard, sung, level > least)
    return [phrase for phrase in near if heard.mean_level(phrase) > voice + FAINTEST_LOUD]


def _quiet_phrases(heard: _Heard, gaps: Mask) -> list[Stretch]:
    """Phrases in the gaps between the loud ones: voiced, and standing out from what is around."""
    clear = gaps & (heard.level > heard.room + ABOVE_ROOM)
    near = _near_phrases(heard, heard.voiced & clear, clear)
    lasting = [Stretch(p.start + _tail(heard.level[p.start : p.stop]), p.stop) for p in near]
    voiced = [p for p in lasting if heard.voiced[p.start : p.stop].sum() >= VOICED]
    between = gaps & ~_covered(voiced, len(gaps))
    return [
        phrase
        for phrase in voiced
        if heard.mean_level(phrase) > heard.voice + FAINTEST and heard.stands_out(phrase, between)
    ]


def _near_phrases(heard: _Heard, sung: Mask, clear: Mask) -> list[Stretch]:
    """Stretches of singing without what is far quieter than they are, as bleed beside them is."""
    hisses = clear & heard.hissing & ~sung
    near = np.zeros(len(sung), dtype=bool)
    for phrase in _phrases(sung, hisses):
        inside = slice(phrase.start, phrase.stop)
        near[inside] = heard.level[inside] > heard.mean_level(phrase) + BELOW_PHRASE
    return _phrases(sung & near, hisses & near)


def _phrases(sung: Mask, consonants: Mask) -> list[Stretch]:
    """Stretches of singing with the consonants that belong to it."""
    shortest, longest = HISS_LENGTHS
    hisses = [hiss for hiss in _stretches(consonants) if shortest <= len(hiss) <= longest]
    joined = _bridged(_stretches(sung | _covered(hisses, len(sung))))
    return [found for found in joined if sung[found.start : found.stop].sum() >= SPECK]


def _with_weak_edges(phrases: list[Stretch], audible: Mask) -> list[Stretch]:
    """Phrases with the short sounds that touch them: weak consonants and what dies away."""
    others = _stretches(audible & ~_covered(phrases, len(audible)))
    short = [other for other in others if len(other) < CONSONANT]
    joined = _bridged([_joined(phrase, short) for phrase in phrases])
    return [Stretch(_onset(phrase.start, audible), phrase.stop) for phrase in joined]


def _onset(start: int, audible: Mask) -> int:
    """`start` without the silence that the mean over some hops has taken in."""
    return start + int(np.argmax(audible[start : start + SMOOTHING // 2 + 1]))


def _joined(phrase: Stretch, sounds: list[Stretch]) -> Stretch:
    """`phrase` from the first to the last of the sounds that touch it."""
    starts = [s.start for s in sounds if 0 <= phrase.start - s.stop <= TOUCHING]
    stops = [s.stop for s in sounds if 0 <= s.start - phrase.stop <= TOUCHING]
    return Stretch(min([phrase.start, *starts]), max([phrase.stop, *stops]))


def _sounds(heard: _Heard, stretches: list[Stretch]) -> Iterator[Stretch]:
    """Sounds in gaps, without what dies away ahead of them."""
    for sound in stretches:
        start = sound.start + _tail(heard.level[sound.start : sound.stop])
        if sound.stop - start >= BREATH_LENGTH:
            yield Stretch(start, sound.stop)


def _tail(level: Values) -> int:
    """Hops at the beginning that die away."""
    lasting = level[BREATH_LENGTH:] > level[:-BREATH_LENGTH] - DECAY
    return int(np.argmax(lasting)) if lasting.any() else len(level)


def smoothed(values: Values, hops: int) -> Values:
    """Mean over `hops` (odd) around each hop; the ends count as repeated."""
    padded = np.pad(values, hops // 2, mode="edge") if len(values) else values
    return np.convolve(padded, np.full(hops, 1.0 / hops), mode="valid") if len(values) else values


def _voice_level(power: Values) -> float:
    """Level in dB of the hops that sound: those within 10 dB of the mean, as BS.1770 gates."""
    sounding = power[power > power.mean() / 10.0] if power.size else power
    return float(power_to_db(sounding.mean())) if sounding.size else 0.0


def _room_level(level: Values, power: Values) -> float:
    """Level in dB of the room, without the digital silence ahead of the voice and behind it."""
    there = np.flatnonzero(power > SILENCE)
    inside = level[there[0] : there[-1] + 1] if there.size else level
    return float(np.percentile(inside, ROOM_SHARE)) if inside.size else 0.0


def _stretches(mask: Mask) -> list[Stretch]:
    """Runs of True."""
    edges = np.flatnonzero(np.diff(mask, prepend=False, append=False))
    return [Stretch(int(a), int(b)) for a, b in edges.reshape(-1, 2)]


def _bridged(stretches: list[Stretch]) -> list[Stretch]:
    """`stretches` with the holes between them closed where those are short."""
    joined: list[Stretch] = []
    for stretch in stretches:
        if joined and stretch.start - joined[-1].stop < HOLE:
            stretch = Stretch(joined.pop().start, stretch.stop)
        joined.append(stretch)
    return joined


def _covered(stretches: list[Stretch], hops: int) -> Mask:
    mask = np.zeros(hops, dtype=bool)
    for stretch in stretches:
        mask[stretch.start : stretch.stop] = True
    return mask
