"""Where a voice sings: phrases, the gaps between them, and the breaths in the gaps.

A hop of 10 ms belongs to the singing when it is loud, when it is voiced and clearly above the
room, or when it is part of a short hiss, as consonants are. Breath is none of these: it is noise
well below the voice, and longer or duller than a consonant. Short holes (stops, weak consonants)
stay inside their phrase; specks of sound (lips, bleed) make none.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

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
FAINTEST_PHRASE = -14.0  # dB against the voice: below it another voice bleeds in, or a mumble
BELOW_PHRASE = -17.0  # dB against its phrase: the least that singing in it can have
ABOVE_ROOM = 8.0  # dB that a voiced hop of a phrase stands above the room
ROOM_SHARE = 5.0  # percent of the hops that are quieter than the room's level
HISS_ABOVE = 3000.0  # Hz: consonants hiss above, breath has much of its noise below
HISSING = 0.32  # share of the K-weighted power (a hiss gains up to 4 dB by the weighting)
HISS_LENGTHS = 8, 24  # hops: a shorter hiss is a click or a hi-hat's, a longer one breath
SPECK = 12  # hops: with less singing than this, a stretch is no phrase
HOLE = 18  # hops: a shorter hole is part of its phrase
SILENCE = 1e-14  # mean square of −140 dBFS
ABOVE_SILENCE = 4.0  # dB above the room: the least level of a sound in a gap
CONSONANT = 23  # hops: a shorter sound that touches a phrase belongs to it; breaths last 0.2 s
TOUCHING = 5  # hops: the farthest from its phrase
BREATH_LENGTH = 12  # hops: a shorter sound in a gap is no breath
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
    """What `find` makes of a voice: its phrases and the breaths between them, in rising order."""

    phrases: list[Stretch]
    breaths: list[Stretch]


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


class VoiceMeter:
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
    """Phrases and breaths of a voice."""
    level = power_to_db(np.maximum(smoothed(hops.power, SMOOTHING), SILENCE))
    voice = _voice_level(hops.power)
    room = max(_room_level(level), voice + INAUDIBLE)
    heard = level > float(np.clip(room + ABOVE_ROOM, voice + FAINT, voice + LOUD))
    voiced = smoothed(hops.voicing, SMOOTHING) > PERIODIC
    sung = (level > voice + LOUD) | (voiced & heard)
    hissing = smoothed(hops.hiss, SMOOTHING) > HISSING * smoothed(hops.power, SMOOTHING)
    near = _near_its_phrase(level, hops.power, _phrases(sung, heard & hissing & ~sung))
    phrases = [
        phrase
        for phrase in _phrases(sung & near, heard & hissing & near & ~sung)
        if _mean_level(hops.power, phrase) > voice + FAINTEST_PHRASE
    ]
    audible = level > room + ABOVE_SILENCE
    phrases = _with_weak_edges(phrases, audible)
    others = _stretches(audible & ~_covered(phrases, len(level)))
    return Phrasing(phrases, list(_breaths(level, others)))


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
    return _bridged([_joined(phrase, short) for phrase in phrases])


def _joined(phrase: Stretch, sounds: list[Stretch]) -> Stretch:
    """`phrase` from the first to the last of the sounds that touch it."""
    starts = [s.start for s in sounds if 0 <= phrase.start - s.stop <= TOUCHING]
    stops = [s.stop for s in sounds if 0 <= s.start - phrase.stop <= TOUCHING]
    return Stretch(min([phrase.start, *starts]), max([phrase.stop, *stops]))


def _breaths(level: Values, sounds: list[Stretch]) -> Iterator[Stretch]:
    """Breaths among the sounds in gaps, without what dies away ahead of them."""
    for sound in sounds:
        start, stop = sound.start + _tail(level[sound.start : sound.stop]), sound.stop
        if stop - start >= BREATH_LENGTH:
            # The mean over some hops has widened it by half of them at either end.
            yield Stretch(start + SMOOTHING // 2, stop - SMOOTHING // 2)


def _tail(level: Values) -> int:
    """Hops at the beginning that die away."""
    lasting = level[BREATH_LENGTH:] > level[:-BREATH_LENGTH] - DECAY
    return int(np.argmax(lasting)) if lasting.any() else len(level)


def _near_its_phrase(level: Values, power: Values, phrases: list[Stretch]) -> Mask:
    """Hops that are not too far below the phrase they stand in: bleed beside it is."""
    near = np.zeros(len(level), dtype=bool)
    for phrase in phrases:
        inside = slice(phrase.start, phrase.stop)
        near[inside] = level[inside] > _mean_level(power, phrase) + BELOW_PHRASE
    return near


def _mean_level(power: Values, phrase: Stretch) -> float:
    return float(power_to_db(power[phrase.start : phrase.stop].mean()))


def smoothed(values: Values, hops: int) -> Values:
    """Mean over `hops` (odd) around each hop; the ends count as repeated."""
    padded = np.pad(values, hops // 2, mode="edge") if len(values) else values
    return np.convolve(padded, np.full(hops, 1.0 / hops), mode="valid") if len(values) else values


def _voice_level(power: Values) -> float:
    """Level in dB of the hops that sound: those within 10 dB of the mean, as BS.1770 gates."""
    sounding = power[power > power.mean() / 10.0] if power.size else power
    return float(power_to_db(sounding.mean())) if sounding.size else 0.0


def _room_level(level: Values) -> float:
    return float(np.percentile(level, ROOM_SHARE)) if level.size else 0.0


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
