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
import math
from array import array
from collections.abc import Iterator
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from chainkit.dsp.loudness import k_weighting
from chainkit.dsp.shorttime import BAND, BANDS, HOPS_A_SECOND, ShortTimeSpectra

LOWEST_RATE = 16000  # Hz; below it too little of the hiss is there
HISS = (3000.0, 16000.0)  # Hz

_VOWEL = (300.0, 2000.0)  # Hz
_CALM = (700.0, 2000.0)  # Hz, where a sibilant has least
_CENTRED = (2000.0, 16000.0)  # Hz, range of the running centre
_COLOUR = (2500.0, 10000.0)  # Hz, range in which colour is judged
_SEARCHED = (1000.0, 16000.0)  # Hz, range of the reported centre and peak

_ZONE, _MARGIN = 8 * HOPS_A_SECOND, 4 * HOPS_A_SECOND  # hops decided at once, and seen around

_SEED_RATIO = -6.0  # dB, hiss against vowel range, where an event may be
_EDGE_RATIO, _EDGE_FALL, _EDGE_CAP, _EDGE_CAP_LONG = -9.0, 12.0, -4.0, 2.0  # dB, where it ends
_LONG = HOPS_A_SECOND // 4  # hops
_EDGE_LEVEL = 12.0  # dB below its peak, where it ends
_EDGE_CENTRE = 0.6  # of its centre, where it ends
_ONSET_LEVEL, _ONSET_RATIO = 18.0, 4.0  # dB below its peak and dB of ratio, where it starts
_CORE_LEVEL = 6.0  # dB below its peak, where its colour is measured
_QUIETEST = -22.0  # dB against the voice
_LEAST_RATIO = ((3000.0, 3700.0, 4300.0, 7000.0), (3.5, 2.0, -3.5, -6.0))  # centre Hz → dB
_COLOURED, _BY_RATIO = 9.0, 0.4  # dB of colour asked for, more for each dB of ratio
_BY_LEVEL, _LOUD = 0.5, -16.0  # less for each dB above this level against the voice
_SHORTEST, _SHORTEST_ABRUPT = 0.035, 0.055  # seconds
_LONGEST, _LONGEST_LOW, _LOW = 0.5, 0.22, 3500.0  # seconds, and Hz below which a centre is low
_ABRUPT, _STRONGLY_COLOURED = 10.0, 16.0  # dB in 10 ms, dB
_PERCUSSIVE, _DYING = 18.0, 5.0  # dB in 10 ms, dB from the first half to the second
_REGARDED = HOPS_A_SECOND  # hops on each side of a seed in which its event ends
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


class _Candidate(NamedTuple):
    """What is known of an event before the whole programme has been heard."""

    start: float  # to against_voice_db: those of `Sibilant`
    end: float
    peak_hz: float
    centre_hz: float
    band_dbfs: float
    against_voice_db: float
    level: float  # dB of power, smoothed peak of the hiss
    neighbour: float  # dB of power, the loudest vowel close by
    hiss: float  # K-weighted energy of the hiss
    whole: float  # K-weighted energy of everything


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
        self._new: list[NDArray[np.float32]] = []  # bands of the hops behind what is held
        self._held = np.empty((0, BANDS + 6), dtype=np.float32)  # bands, `_sums` and loudness
        self._first = 0  # number of the first hop that is held
        self._zone = 0  # number of the first hop that is not decided
        self._hops = 0
        self._found = array("d")  # candidates, one behind the other: hours hold many
        self._weights = _loudness_weights()
        self._sums = np.column_stack([_sums(), self._weights])
        self._power = 0.0
        self._energy = 0.0

    def add(self, x: NDArray[np.float64]) -> None:
        """Take the next frames.

        Parameters
        ----------
        x : ndarray, (frames, channels)
        """
        if self._rate >= LOWEST_RATE:
            for batch in self._spectra.add(x):
                self._new.append(batch)
                self._hops += len(batch)
                if self._hops >= self._zone + _ZONE + _MARGIN:
                    self._decide()

    def finish(self) -> Sibilance:
        """Decide what is left, and sum up.

        The sibilance index is the loudness of the sibilants against that of the rest of the
        voice: 10·lg of the energy of their hiss over the energy of everything outside them, both
        K-weighted. More, longer and louder sibilants raise it, as they raise the annoyance;
        turning all of them down by 3 dB lowers it by 3 dB; playback level and pauses do not
        matter. It is None where there are no sibilants.
        """
        if self._rate >= LOWEST_RATE:
            for batch in self._spectra.finish():
                self._new.append(batch)
                self._hops += len(batch)
        while self._zone < self._hops:
            self._decide()
        found = np.array(self._found).reshape(-1, len(_Candidate._fields))
        # What is no part of the voice is far below its loudest part, or its neighbours are.
        loudest = found[:, 6:8].min(axis=1)
        kept = found[loudest > _decibel(self._power) + _FAR_BELOW]
        hiss, whole = kept[:, 8:].sum(axis=0)
        rest = self._energy - whole
        index = float(10.0 * np.log10(hiss / rest)) if len(kept) and rest > 0.0 else None
        return Sibilance(tuple(Sibilant(*row[:6]) for row in kept.tolist()), index)

    def _decide(self) -> None:
        """Look for events in the next zone, then let go of what is no longer seen."""
        held = self._joined()
        first = max(self._first, self._zone - _MARGIN)
        seen = _Stretch(held[first - self._first :][: self._zone - first + _ZONE + _MARGIN])
        zone = range(self._zone - first, self._zone - first + _ZONE)
        for candidate in seen.candidates(zone, first, self._weights):
            self._found.extend(candidate)
        self._power = max(self._power, seen.voice)
        self._zone += _ZONE
        keep = max(self._first, self._zone - _MARGIN)
        self._held, self._first = held[keep - self._first :], keep

    def _joined(self) -> NDArray[np.float32]:
        """All hops not let go of, each with its bands, sums and loudness."""
        if not self._new:
            return self._held
        # Batch by batch: a product of small matrices stays in this thread.
        sums = np.concatenate([batch @ self._sums for batch in self._new])
        bands = np.concatenate(self._new)
        self._new = []
        self._energy += float(sums[:, -1].sum(dtype=np.float64))
        return np.concatenate([self._held, np.hstack([bands, sums])])


class _Stretch:
    """Some seconds of short-time spectra, and what is derived from them hop by hop."""

    def __init__(self, held: NDArray[np.float32]) -> None:
        self.bands = held[:, :BANDS]
        sums = held[:, BANDS:].T.astype(np.float64)
        self.hiss, self.vowel, self.total, centred, moment = sums[:5]
        smooth = _smooth(self.hiss)
        self.level = _decibels(smooth)
        self.ratio = self.level - _decibels(_smooth(self.vowel))
        self.centre = _smooth(moment) / np.maximum(_smooth(centred), _TINY)
        self.voice = self._voice_power()

    def _voice_power(self) -> float:
        """Mean power of the hops that are above 20 dB below the mean of all."""
        loud = self.total > 0.01 * self.total.mean()
        return float(self.total[loud].mean()) if loud.any() else 0.0

    def candidates(
        self, zone: range, first: int, weights: NDArray[np.float32]
    ) -> Iterator[_Candidate]:
        """Events that are sibilants by themselves and whose seed lies in `zone`."""
        if self.voice < _SILENT:
            return
        spans = [span for span in self._spans() if self._is_sibilant(*span)]
        taken = np.zeros(len(self.level), dtype=bool)
        for start, stop, _ in spans:
            taken[start:stop] = True
        for start, stop, seed in sorted(spans):
            if seed in zone and self._neighbour(start, stop) > self._threshold(_ADJOINING):
                yield self._describe(start, stop, first, taken, weights)

    def _threshold(self, against_voice: float) -> float:
        return _decibel(self.voice) + against_voice

    def _spans(self) -> list[tuple[int, int, int]]:
        """Start, stop and seed of each stretch of hiss, the clearest first."""
        clear = self.level + np.clip(self.ratio, -6.0, 6.0)
        seeds = (self.ratio > _SEED_RATIO) & (self.level > self._threshold(_QUIETEST))
        free = np.ones(len(seeds), dtype=bool)
        spans = []
        for seed in np.flatnonzero(seeds)[np.argsort(-clear[seeds], kind="stable")]:
            if free[seed]:
                start, stop = self._spread(int(seed), free)
                free[max(0, start - 2) : stop + 2] = False
                spans.append((start, stop, int(seed)))
        return spans

    def _spread(self, seed: int, free: NDArray[np.bool_]) -> tuple[int, int]:
        """How far the hiss around a seed goes on being the same.

        What grows long has probably taken a bright vowel along: its edges must be clearer.
        """
        start, stop = self._alike(seed, free, _EDGE_CAP)
        if stop - start > _LONG:
            start, stop = self._alike(seed, free, _EDGE_CAP_LONG)
        return start, stop

    def _alike(self, seed: int, free: NDArray[np.bool_], cap: float) -> tuple[int, int]:
        """Start and stop of what resembles the seed, its rise out of silence included."""
        low = max(0, seed - _REGARDED)
        near = slice(low, seed + _REGARDED)
        level, ratio = self.level[near], self.ratio[near]
        peak = self.level[max(0, seed - 1) : seed + 2].max()
        least = min(max(_EDGE_RATIO, self.ratio[seed] - _EDGE_FALL), cap)
        same = free[near] & (self.centre[near] > _EDGE_CENTRE * self.centre[seed])
        rising = same & (level > peak - _ONSET_LEVEL) & (ratio > _ONSET_RATIO)
        start, stop = _run(same & (level > peak - _EDGE_LEVEL) & (ratio > least), seed - low)
        if rising[start]:
            start = _run(rising, start)[0]
        return start + low, stop + low

    def _core(self, start: int, stop: int) -> NDArray[np.float64]:
        """Mean spectrum of the hops near the peak of an event."""
        level = self.level[start:stop]
        strong = level > level.max() - _CORE_LEVEL
        return self.bands[start:stop][strong].mean(axis=0, dtype=np.float64)

    def _is_sibilant(self, start: int, stop: int, seed: int) -> bool:
        """Whether it is loud, heavy with hiss, coloured, and neither too short nor too long."""
        level = float(self.level[start:stop].max()) - self._threshold(0.0)
        if level <= _QUIETEST or stop - start + 0.5 < _SHORTEST * HOPS_A_SECOND:
            return False  # most end here, ahead of what takes time
        core = self._core(start, stop)
        ratio = _decibel(_between(core, HISS) / max(_between(core, _VOWEL), _TINY))
        centre = _centre(core, _SEARCHED)
        if ratio <= float(np.interp(centre, *_LEAST_RATIO)):
            return False
        calm, colour = _colour(core)
        asked = _COLOURED + _BY_RATIO * min(max(ratio, -4.0), 12.0)
        longest = _LONGEST if centre > _LOW else _LONGEST_LOW
        return (
            calm + colour > asked - _BY_LEVEL * max(0.0, level - _LOUD)
            and stop - start <= longest * HOPS_A_SECOND
            and self._lasts(start, stop, seed, calm)
        )

    def _lasts(self, start: int, stop: int, seed: int, calm: float) -> bool:
        """Whether it lasts as long as its onset asks for."""
        before = _decibels(self.hiss[max(0, start - 5) : seed + 1])
        onset = float((before[2:] - before[:-2]).max(initial=0.0))
        if onset > _PERCUSSIVE and self._fall(start, stop) > _DYING:
            return False
        abrupt = onset > _ABRUPT and calm < _STRONGLY_COLOURED
        shortest = _SHORTEST_ABRUPT if abrupt else _SHORTEST
        return stop - start + 0.5 >= shortest * HOPS_A_SECOND

    def _fall(self, start: int, stop: int) -> float:
        """Level of the first half of an event against the second in dB."""
        middle = (start + stop) // 2
        first, second = self.level[start:middle], self.level[middle:stop]
        return float(first.mean() - second.mean()) if len(first) else 0.0

    def _neighbour(self, start: int, stop: int) -> float:
        """Level of the loudest vowel close to an event, dB of power."""
        near = np.r_[max(0, start - _REACH) : start, stop : min(len(self.vowel), stop + _REACH)]
        voiced = self.vowel[near][self.ratio[near] < 0.0]
        return _decibel(float(voiced.max(initial=0.0)))

    def _describe(
        self,
        start: int,
        stop: int,
        first: int,
        taken: NDArray[np.bool_],
        weights: NDArray[np.float32],
    ) -> _Candidate:
        bands = self.bands[start:stop]
        core = self._core(start, stop)
        level = _decibel(float(self.hiss[start:stop].mean()))
        loud = (bands * weights).sum(axis=0, dtype=np.float64)
        return _Candidate(
            # The smoothing spans a hop on each side, and the onset is searched from outside.
            start=max(0.0, (first + start - 1.5) / HOPS_A_SECOND),
            end=(first + stop - 0.5) / HOPS_A_SECOND,
            peak_hz=_peak(core),
            centre_hz=_centre(core, _SEARCHED),
            band_dbfs=level,
            against_voice_db=level - self._around(start, stop, taken),
            level=float(self.level[start:stop].max()),
            neighbour=self._neighbour(start, stop),
            hiss=float(_between(loud, HISS)),
            whole=float(loud.sum()),
        )

    def _around(self, start: int, stop: int, taken: NDArray[np.bool_]) -> float:
        """Level of the voice around an event, dB of power: sibilants and pauses left out."""
        near = np.arange(max(0, start - _AROUND), min(len(taken), stop + _AROUND))
        near = near[~taken[near] & (self.total[near] > 0.01 * self.voice)]
        return _decibel(float(self.total[near].mean()) if near.size else self.voice)


_TINY = 1e-30
_KILOHERTZ = round(1000.0 / BAND)  # bands


def _run(alike: NDArray[np.bool_], place: int) -> tuple[int, int]:
    """Start and stop of the run of true values around a place; just the place where it is false."""
    others = np.flatnonzero(~alike)
    after = int(np.searchsorted(others, place))
    start = int(others[after - 1]) + 1 if after else 0
    stop = int(others[after]) if after < len(others) else len(alike)
    return min(start, place), max(stop, place + 1)


def _decibels(power):  # type: ignore[no-untyped-def]
    return 10.0 * np.log10(np.maximum(power, _TINY))


def _decibel(power: float) -> float:
    return 10.0 * math.log10(max(power, _TINY))


def _band_range(limits: tuple[float, float]) -> slice:
    return slice(round(limits[0] / BAND), round(limits[1] / BAND))


def _between(bands, limits):  # type: ignore[no-untyped-def]
    """Power between two frequencies, hop by hop."""
    return bands[..., _band_range(limits)].sum(axis=-1, dtype=np.float64)


def _sums() -> NDArray[np.float32]:
    """Weights (bands, 5): hiss, vowel range, all but the lowest band, and two for the centre.

    The centre is the last weighted sum of the bands over the one before it.
    """
    weights = np.zeros((BANDS, 5), dtype=np.float32)
    for way, limits in enumerate((HISS, _VOWEL, (BAND, BAND * BANDS), _CENTRED, _CENTRED)):
        weights[_band_range(limits), way] = 1.0
    weights[_band_range(_CENTRED), 4] = _middles(_CENTRED)
    return weights


def _smooth(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Mean over three hops; the two ends repeat."""
    wide = np.pad(values, 1, mode="edge")
    total: NDArray[np.float64] = wide[:-2] + wide[1:-1] + wide[2:]
    total /= 3.0
    return total


@functools.cache
def _middles(limits: tuple[float, float]) -> NDArray[np.float64]:
    return (np.arange(BANDS, dtype=np.float64)[_band_range(limits)] + 0.5) * BAND


def _centre(bands: NDArray[np.float64], limits: tuple[float, float]) -> float:
    """Centre of gravity of a power spectrum between two frequencies in Hz."""
    part = bands[_band_range(limits)]
    return float(part @ _middles(limits)) / max(float(part.sum()), _TINY)


def _colour(core: NDArray[np.float64]) -> tuple[float, float]:
    """How far the strongest 1 kHz stands above the calm range, and above its own surroundings."""
    part = core[_band_range(_COLOUR)]
    part = part[part > 0.0]  # bands above half the sample rate are empty
    if len(part) < _KILOHERTZ:
        return 0.0, 0.0
    strongest = float(np.convolve(part, np.ones(_KILOHERTZ), mode="valid").max()) / _KILOHERTZ
    calm = max(float(core[_band_range(_CALM)].mean()), _TINY)
    return _decibel(strongest / calm), _decibel(strongest / float(part.mean()))


def _peak(core: NDArray[np.float64]) -> float:
    """Middle of the strongest 500 Hz."""
    part = np.convolve(core[_band_range(_SEARCHED)], np.ones(5), mode="valid")
    return float(_SEARCHED[0] + (part.argmax() + 2.5) * BAND)


def _loudness_weights() -> NDArray[np.float32]:
    """K-weighting as a factor on the power of each band."""
    rate = 48000
    z = np.exp(-2j * np.pi * _middles((0.0, BANDS * BAND)) / rate)
    response = np.ones(BANDS, dtype=complex)
    for b0, b1, b2, _, a1, a2 in k_weighting(rate):
        response *= (b0 + b1 * z + b2 * z**2) / (1.0 + a1 * z + a2 * z**2)
    return (np.abs(response) ** 2).astype(np.float32)
