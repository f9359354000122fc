"""Finds sibilants in a voice and measures them.

What marks a sibilant, and what tells it from its neighbours:

- Its hiss (3 to 16 kHz) outweighs the vowel range (300 Hz to 2 kHz). Bright vowels come near in
  that, but their hiss is centred low, so the lower the centre, the greater the weight asked for.
- It is loud. /s/ and /sh/ lie 10 dB below the vowel, /f/ and /th/ 17 (Jongman, Wayland and Wong
  2000, Table), so hiss more than 22 dB below the voice is no sibilant, nor is breath.
- It is coloured. The strongest 1 kHz of /s/ and /sh/ stands out from the rest and from the
  700 Hz to 2 kHz range; /f/, /th/, breath and the bursts of /p/ and /k/ are flat.
- It lasts. Below 14 to 20 ms frication is heard as a stop, from 30 ms as /sh/ or /z/ (Jongman
  1989). What starts abruptly, like the burst of /t/, must last longer or be strongly coloured;
  what starts abruptly and dies away, like a hi-hat, is none. Nor is what lasts long, least of
  all where it is centred as low as a bright vowel.
- It adjoins a sounding voice. Bleed in a pause does not.

Every measure is a ratio, most against the voice within seconds around, so the playback level does
not matter. Thresholds were chosen on labelled speech (real, diphone and synthetic, in nine
languages) and on the invented voice of the demo; they are no published values.

References
----------
.. [1] A. Jongman, R. Wayland, S. Wong, "Acoustic characteristics of English fricatives", J.
   Acoust. Soc. Am. 108(3), 2000.
.. [2] A. Jongman, "Duration of frication noise required for identification of English
   fricatives", J. Acoust. Soc. Am. 85(4), 1989.
"""

from __future__ import annotations

import functools
from array import array
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from chainkit.dsp.fourier import LANES
from chainkit.dsp.kernels_sibilance import find
from chainkit.dsp.levels import SOUNDING, sounding
from chainkit.dsp.loudness import k_weighting
from chainkit.dsp.shorttime import BAND, BANDS, HOPS_A_SECOND, ShortTimeSpectra
from chainkit.dsp.steady_bands import without_lines

_Floats = NDArray[np.float64]
_Hops = NDArray[np.int64]

LOWEST_RATE = 16000  # Hz; below it too little of the hiss is there
HISS = (3000.0, 16000.0)  # Hz

_VOWEL = (300.0, 2000.0)  # Hz
_CALM = (700.0, 2000.0)  # Hz, where a sibilant has least
_CENTRED = (2000.0, 16000.0)  # Hz, range of the running centre
_COLOUR = (2500.0, 10000.0)  # Hz, range in which colour is judged
_SEARCHED = (1000.0, 16000.0)  # Hz, range of the reported centre and peak

_ZONE, _MARGIN = 8 * HOPS_A_SECOND, 4 * HOPS_A_SECOND  # hops decided at once, and seen around

_SEED_RATIO = -6.0  # dB, hiss against vowel range, where an event may be
_EDGE_RATIO, _EDGE_FALL = -9.0, 12.0  # dB, or below its seed's, where it ends
_EDGE_CAPS = (-4.0, 2.0)  # dB, what that ratio is at most; the second in a long event
_LONG = HOPS_A_SECOND // 4  # hops
_EDGE_LEVEL = 12.0  # dB below its peak, where it ends
_EDGE_CENTRE = 0.6  # of its seed's centre, where it ends
_ONSET_LEVEL, _ONSET_RATIO = 18.0, 4.0  # dB below its peak and dB of ratio, where it starts
_REGARDED = HOPS_A_SECOND  # hops on each side of a seed in which its event ends
_RULES = (
    _REGARDED, _EDGE_LEVEL, _EDGE_RATIO, _EDGE_FALL, _EDGE_CENTRE, _ONSET_LEVEL, _ONSET_RATIO,
)  # fmt: skip
_CORE_LEVEL = 6.0  # dB below its peak, where its colour is measured
_QUIETEST = -22.0  # dB against the voice
_LEAST_RATIO = ((3000.0, 3700.0, 4300.0, 7000.0), (3.5, 2.0, -3.5, -6.0))  # centre Hz → dB
_COLOURED, _BY_RATIO = 9.0, 0.4  # dB of colour asked for, more for each dB of ratio
_BY_LEVEL, _LOUD = 0.5, -16.0  # less for each dB above this level against the voice
_SHORTEST, _SHORTEST_ABRUPT = 0.035, 0.055  # seconds
_LONGEST, _LONGEST_LOW, _LOW = 0.5, 0.22, 3500.0  # seconds, and Hz below which a centre is low
_ABRUPT, _STRONGLY_COLOURED = 10.0, 16.0  # dB in 10 ms, dB
_PERCUSSIVE, _DYING = 18.0, 5.0  # dB in 10 ms, dB from the first half to the second
_REACH = HOPS_A_SECOND // 5  # hops to the sounding voice that an event adjoins
_ADJOINING = -20.0  # dB against the voice
_FAR_BELOW = -38.0  # dB against the voice of the whole programme
_SILENT = 1e-14  # power of a voice that is not there, −140 dBFS
_AROUND = HOPS_A_SECOND  # hops on each side for the level against the voice around


@dataclass(frozen=True, slots=True)
class Sibilant:
    """One sibilant.

    Attributes
    ----------
    start, end : float, s
    peak_hz : float
        Middle of the strongest 500 Hz between 1 and 16 kHz.
    centre_hz : float
        Centre of gravity of the power spectrum between 1 and 16 kHz.
    band_dbfs : float
        RMS level from 3 to 16 kHz.
    against_voice_db : float
        That level against the voice within a second, sibilants and pauses left out.
    """

    start: float
    end: float
    peak_hz: float
    centre_hz: float
    band_dbfs: float
    against_voice_db: float


@dataclass(frozen=True)
class Sibilance:
    """All sibilants of a programme.

    Attributes
    ----------
    sibilants : tuple of Sibilant
    index_db : float or None
        See `SibilantDetector.finish`.
    """

    sibilants: tuple[Sibilant, ...]
    index_db: float | None


class _Candidates(NamedTuple):
    """What is known of events before the whole programme has been heard, an array each."""

    start: _Floats  # to against_voice_db: those of `Sibilant`
    end: _Floats
    peak_hz: _Floats
    centre_hz: _Floats
    band_dbfs: _Floats
    against_voice_db: _Floats
    level: _Floats  # dB of power, smoothed peak of the hiss
    neighbour: _Floats  # dB of power, the loudest vowel close by
    hiss: _Floats  # K-weighted energy of the hiss
    whole: _Floats  # K-weighted energy of everything


class SibilantDetector:
    """Streaming detector; the same events however the programme is cut into blocks.

    Decides in zones of 8 s, with 4 s seen on both sides. Memory grows with the events only.

    Parameters
    ----------
    rate : int, Hz
        At least 16 kHz; below, nothing is found.
    channels : int
        Powers of the channels are averaged.
    """

    def __init__(self, rate: int, channels: int) -> None:
        self._rate = rate
        self._spectra = ShortTimeSpectra(rate, channels)
        self._weights = _weights()
        # Each hop from the first that is seen to the last one known: its bands, and sums of them.
        room = 2 * _MARGIN + _ZONE + LANES
        self._bands = np.empty((room, BANDS), dtype=np.float32)
        self._sums = np.empty((self._weights.shape[1], room))
        self._count = 0  # hops that are held
        self._first = 0  # number of the first of them
        self._ahead = 0  # of them those ahead of the next zone
        self._found = array("d")  # candidates, one behind the other: hours hold many
        self._power = 0.0
        self._energy = 0.0

    def add(self, x: _Floats) -> None:
        """Take the next frames.

        Parameters
        ----------
        x : ndarray, (frames, channels)
        """
        if self._rate >= LOWEST_RATE:
            self._take(self._spectra.add(x))

    def finish(self) -> Sibilance:
        """Decide what is left, and sum up.

        The sibilance index is the loudness of the sibilants against that of the rest of the
        voice: 10·lg of the energy of their hiss over the energy of everything above 100 Hz outside
        them, both K-weighted. More, longer and louder sibilants raise it, as they raise the
        annoyance; turning all of them down by 3 dB lowers it by 3 dB; playback level, pauses and a
        DC offset do not matter. It is None where there are no sibilants.
        """
        if self._rate >= LOWEST_RATE:
            self._take(self._spectra.finish())
        while self._count > self._ahead:
            self._decide()
        found = np.array(self._found).reshape(-1, len(_Candidates._fields))
        # What is no part of the voice is far below its loudest part, or its neighbours are.
        loudest = found[:, 6:8].min(axis=1)
        kept = found[loudest > _decibels(self._power) + _FAR_BELOW]
        hiss, whole = kept[:, 8:].sum(axis=0)
        rest = self._energy - whole
        index = float(10.0 * np.log10(hiss / rest)) if len(kept) and rest > 0.0 else None
        return Sibilance(tuple(Sibilant(*row[:6]) for row in kept.tolist()), index)

    def _take(self, batches: list[NDArray[np.float32]]) -> None:
        """Hold the bands of the next hops, and decide as soon as enough is seen."""
        for batch in batches:
            new = slice(self._count, self._count + len(batch))
            self._bands[new] = batch
            self._sums[:, new] = self._summed(batch)
            self._count = new.stop
            if self._count >= self._ahead + _ZONE + _MARGIN:
                self._decide()

    def _summed(self, bands: NDArray[np.float32]) -> _Floats:
        """Sums of the bands of each hop, (7, hops), to which `_weights` gives their weights."""
        sums = np.empty((self._weights.shape[1], len(bands)))
        for first in range(0, len(bands), LANES):
            # Batch by batch: a product of small matrices stays in this thread.
            batch = slice(first, first + LANES)
            sums[:, batch] = (bands[batch] @ self._weights).T
        return sums

    def _decide(self) -> None:
        """Look for events in the next zone, then let go of what is no longer seen."""
        stop = self._ahead + _ZONE
        seen = min(self._count, stop + _MARGIN)
        bands, sums = self._bands[:seen], self._sums[:, :seen]
        clean = without_lines(bands)
        stretch = _Stretch(clean, sums if clean is bands else self._summed(clean))
        found = stretch.candidates(self._ahead, stop, self._first)
        self._found.frombytes(found.tobytes())
        self._power = max(self._power, stretch.voice)
        self._energy += float(stretch.whole[self._ahead : stop].sum())
        done = stop - _MARGIN
        left = max(0, self._count - done)
        self._bands[:left] = self._bands[done : done + left]
        self._sums[:, :left] = self._sums[:, done : done + left]
        self._count, self._first, self._ahead = left, self._first + done, _MARGIN


class _Stretch:
    """Some seconds of short-time spectra, what is derived from them hop by hop, and the events."""

    def __init__(self, bands: NDArray[np.float32], sums: _Floats) -> None:
        self.bands = bands
        self.hiss, self.vowel, _, _, self.total, self.loud_hiss, self.whole = sums
        hiss, vowel, centred, moment = _smooth(sums[:4])
        self.level = _decibels(hiss)
        self.ratio = self.level - _decibels(vowel)
        self.centre = moment / np.maximum(centred, _TINY)
        self.voice = self._voice_power()

    def _voice_power(self) -> float:
        """Mean power of the hops that sound."""
        loud = sounding(self.total)
        return float(self.total[loud].mean()) if loud.any() else 0.0

    def candidates(self, first: int, stop: int, number: int) -> _Floats:
        """Events that are sibilants by themselves, with a seed from `first` to ahead of `stop`.

        `number` is that of the first hop. A row an event, as in `_Candidates`, in order.
        """
        (start, end, seed), level, core = self._sibilants()
        hiss, neighbour = _decibels(_mean(self.hiss, start, end)), self._neighbours(start, end)
        rows = _Candidates(
            # The smoothing spans a hop on each side, and the onset is searched from outside.
            start=np.maximum(0.0, (number + start - 1.5) / HOPS_A_SECOND),
            end=(number + end - 0.5) / HOPS_A_SECOND,
            peak_hz=_peak(core),
            centre_hz=_centre(core),
            band_dbfs=hiss,
            against_voice_db=hiss - self._around(start, end),
            level=level,
            neighbour=neighbour,
            hiss=_over(np.add, self.loud_hiss, start, end),
            whole=_over(np.add, self.whole, start, end),
        )
        kept = (seed >= first) & (seed < stop) & (neighbour > self._threshold(_ADJOINING))
        return np.column_stack(rows)[kept]

    def _threshold(self, against_voice: float) -> float:
        return float(_decibels(self.voice)) + against_voice

    def _sibilants(self) -> tuple[_Hops, _Floats, _Floats]:
        """What is loud, heavy with hiss, coloured, and neither too short nor too long, in order.

        Start, stop and seed (3, events), level in dB, and mean spectrum (events, bands) near it.
        """
        events, (level, growth, fall), core = self._events()
        start, stop, _ = events
        ratio = _decibels(_between(core, HISS) / np.maximum(_between(core, _VOWEL), _TINY))
        centre, (calm, colour), onset = _centre(core), _colour(core), _decibels(growth)
        asked = _COLOURED + _BY_RATIO * np.clip(ratio, -4.0, 12.0)
        asked -= _BY_LEVEL * np.maximum(0.0, level - self._threshold(_LOUD))
        abrupt = (onset > _ABRUPT) & (calm < _STRONGLY_COLOURED)
        shortest = np.where(abrupt, _SHORTEST_ABRUPT, _SHORTEST)
        longest = np.where(centre > _LOW, _LONGEST, _LONGEST_LOW)
        length = (stop - start) / HOPS_A_SECOND
        good = np.flatnonzero(
            (ratio > np.interp(centre, *_LEAST_RATIO))
            & (calm + colour > asked)
            & (length + 0.5 / HOPS_A_SECOND >= shortest)
            & (length <= longest)
            & ~((onset > _PERCUSSIVE) & (fall > _DYING))
        )
        good = good[np.argsort(start[good])]
        return events[:, good], level[good], core[good]

    def _events(self) -> tuple[_Hops, _Floats, _Floats]:
        """Stretches of hiss that are loud and not too short: what `find` tells of them."""
        clear = self.level + np.clip(self.ratio, -6.0, 6.0)
        seeds = (self.ratio > _SEED_RATIO) & (self.level > self._threshold(_QUIETEST))
        seeds &= self.voice >= _SILENT
        clearest = np.flatnonzero(seeds)[np.argsort(-clear[seeds], kind="stable")]
        shortest = round(_SHORTEST * HOPS_A_SECOND)
        most = len(seeds) // shortest  # they do not overlap
        events = np.empty((3, most), dtype=np.int64)
        figures, cores = np.empty((3, most)), np.empty((most, BANDS))
        count = find(
            clearest, (self.level, self.ratio, self.centre), np.maximum(self.hiss, _TINY),
            self.bands, _RULES, _EDGE_CAPS, (_LONG, shortest), _CORE_LEVEL,
            np.ones(len(seeds), dtype=bool), events, figures, cores,
        )  # fmt: skip
        return events[:, :count], figures[:, :count], cores[:count]

    def _neighbours(self, start: _Hops, stop: _Hops) -> _Floats:
        """Level of the loudest vowel close to each event, dB of power."""
        voiced = np.zeros(len(self.vowel) + 2 * _REACH)
        voiced[_REACH:-_REACH] = np.where(self.ratio < 0.0, self.vowel, 0.0)
        before = _over(np.maximum, voiced, start, start + _REACH)
        after = _over(np.maximum, voiced, stop + _REACH, stop + 2 * _REACH)
        return _decibels(np.maximum(before, after))

    def _around(self, start: _Hops, stop: _Hops) -> _Floats:
        """Level of the voice around each event, dB of power: sibilants and pauses left out."""
        voiced = self.total > SOUNDING * self.voice
        for one, other in zip(start, stop, strict=True):
            voiced[one:other] = False
        near = np.maximum(0, start - _AROUND), np.minimum(len(voiced), stop + _AROUND)
        hops = _over(np.add, voiced, *near)
        power = _over(np.add, np.where(voiced, self.total, 0.0), *near) / np.maximum(1.0, hops)
        return _decibels(np.where(hops > 0.0, power, self.voice))


_TINY = 1e-30
_KILOHERTZ = round(1000.0 / BAND)  # bands


def _over(way: np.ufunc, values: _Floats, start: _Hops, stop: _Hops) -> _Floats:
    """Sum or greatest (`np.add`, `np.maximum`) of each stretch of values; none is empty."""
    ends = np.array([start, stop]).T.ravel()
    values = np.append(values, 0.0)  # where a stretch may stop
    return way.reduceat(values, ends)[::2]  # what lies from start to stop, not from stop to start


def _mean(values: _Floats, start: _Hops, stop: _Hops) -> _Floats:
    return _over(np.add, values, start, stop) / (stop - start)


def _decibels(power: _Floats | float) -> _Floats:
    return 10.0 * np.log10(np.maximum(power, _TINY))


def _band_range(limits: tuple[float, float]) -> slice:
    return slice(round(limits[0] / BAND), round(limits[1] / BAND))


def _between(bands: _Floats, limits: tuple[float, float]) -> _Floats:
    """Power between two frequencies."""
    return bands[:, _band_range(limits)].sum(axis=1)


def _smooth(values: _Floats) -> _Floats:
    """Mean over three hops of each row; the two ends repeat."""
    wide = np.concatenate([values[:, :1], values, values[:, -1:]], axis=1)
    total: _Floats = wide[:, :-2] + wide[:, 1:-1] + wide[:, 2:]
    total /= 3.0
    return total


@functools.cache
def _weights() -> NDArray[np.float32]:
    """Weights (bands, 7) of the sums that each hop is given.

    Hiss, vowel range, and two for the centre, which is the latter over the former; all but the
    lowest band, the K-weighted hiss and the K-weighted whole, without the lowest band: a window is
    too short to tell a voice there from a DC offset, which nobody hears.
    """
    weights = np.zeros((BANDS, 7))
    for way, limits in enumerate((HISS, _VOWEL, _CENTRED, _CENTRED, (BAND, BAND * BANDS), HISS)):
        weights[_band_range(limits), way] = 1.0
    weights[_band_range(_CENTRED), 3] = _middles(_CENTRED)
    weights[1:, 6] = _loudness_weights()[1:]
    weights[:, 5] *= weights[:, 6]
    return weights.astype(np.float32)


@functools.cache
def _middles(limits: tuple[float, float]) -> _Floats:
    return (np.arange(BANDS, dtype=np.float64)[_band_range(limits)] + 0.5) * BAND


def _centre(core: _Floats) -> _Floats:
    """Centre of gravity of power spectra in Hz."""
    part = core[:, _band_range(_SEARCHED)]
    centre: _Floats = (part * _middles(_SEARCHED)).sum(axis=1)
    return centre / np.maximum(part.sum(axis=1), _TINY)


def _neighbouring(bands: _Floats, count: int) -> _Floats:
    """Power of each `count` neighbouring bands."""
    sums = np.zeros((len(bands), bands.shape[1] + 1))
    np.cumsum(bands, axis=1, out=sums[:, 1:])
    return sums[:, count:] - sums[:, :-count]


def _colour(core: _Floats) -> tuple[_Floats, _Floats]:
    """How far the strongest 1 kHz stands above the calm range, and above its own surroundings."""
    part = core[:, _band_range(_COLOUR)]
    strongest = _neighbouring(part, _KILOHERTZ).max(axis=1) / _KILOHERTZ
    filled = (part > 0.0).sum(axis=1)  # bands above half the sample rate are empty
    calm, mean = core[:, _band_range(_CALM)].mean(axis=1), part.sum(axis=1) / np.maximum(1, filled)
    above_calm, above_mean = (strongest / np.maximum(power, _TINY) for power in (calm, mean))
    return _decibels(above_calm), _decibels(above_mean)


def _peak(core: _Floats) -> _Floats:
    """Middle of the strongest 500 Hz of power spectra."""
    power = _neighbouring(core[:, _band_range(_SEARCHED)], 5)
    return _SEARCHED[0] + (power.argmax(axis=1) + 2.5) * BAND


def _loudness_weights() -> NDArray[np.float32]:
    """K-weighting as a factor on the power of each band."""
    rate = 48000
    z = np.exp(-2j * np.pi * _middles((0.0, BANDS * BAND)) / rate)
    response = np.ones(BANDS, dtype=complex)
    for b0, b1, b2, _, a1, a2 in k_weighting(rate):
        response *= (b0 + b1 * z + b2 * z**2) / (1.0 + a1 * z + a2 * z**2)
    return (np.abs(response) ** 2).astype(np.float32)
