"""Regions of a spectrum that stand out or lack: mud, boxiness, harshness, air.

A region is judged against the signal's own tilt: a parabola over the logarithm of frequency, fitted
to the levels of the third octaves in which the signal has energy, up to where it rolls off. A
parabola follows dark and bright, thin and full, and cannot follow a hump one octave wide; nor can
it follow a roll-off, whose edge is no hump: speech behind a 4th-order low-pass at 3 kHz had
"harshness" of 7 dB there. Nor is what lies below the lowest note a sag: that of a flute had 15 dB.
Air alone is judged against speech: against the level
from 1 to 4 kHz, the long-term average speech spectrum has 12.4 dB less from 10 to 16 kHz [1]_.

Where one region ends and another begins is common practice, no source. A hump across that border is
told once, where it is tallest. What is too much is common practice too; a region is a hint to
listen, and its confidence is at most one half.

References
----------
.. [1] D. Byrne et al., "An international comparison of long-term average speech spectra", J.
   Acoust. Soc. Am. 96(4), 1994, Table II, men and women together; from memory.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from chainkit.dsp.spectrum import Spectrum

Values = NDArray[np.float64]

REGIONS = {"mud": (160.0, 400.0), "boxiness": (400.0, 900.0), "harshness": (2000.0, 5000.0)}  # Hz
AIR = (10000.0, 16000.0)  # Hz
BODY = (1000.0, 4000.0)  # Hz, against which the air is judged
AIR_OF_SPEECH = -12.4  # dB
NOTABLE = 1.5  # dB
MOST = 0.5  # confidence that a hump comes near to: it is always a hint
DEEP = 50.0  # dB below the strongest third octave, under which nothing belongs to the signal
FALLEN = 20.0  # dB below the strongest third octave, where the low end is over
ROLL_OFF, ROLLING = 18.0, 1000.0  # dB in an octave; Hz from which that is the upper end
ONE_HUMP = 0.5  # octaves within which two peaks without a valley are one hump
SIXTH = 10.0**0.05  # from a third octave's lower edge to its middle
LEVELLED = (100.0, 8000.0)  # Hz, in which evenness is judged


@dataclass(frozen=True)
class Region:
    """A region that stands out or lacks.

    Attributes
    ----------
    kind : str
        "mud", "boxiness", "harshness" or "air".
    frequency : float, Hz
        Where it stands out most; the lower edge of the air.
    q : float
    excess : float, dB
        Level against what is expected; negative where it lacks.
    confidence : float, 0 to 0.5
    """

    kind: str
    frequency: float
    q: float
    excess: float
    confidence: float


class Tilt:
    """A spectrum in twelfth octaves from 100 Hz and in third octaves from 25 Hz, and its trend.

    Parameters
    ----------
    spectrum : Spectrum
    above : float, Hz
        What lies lower is rumble and does not belong to the source.

    Attributes
    ----------
    frequencies, levels, trend : ndarray, Hz, dBFS, dBFS
        In twelfth octaves.
    thirds, third_levels : ndarray, Hz, dBFS
    lowest, highest : float, Hz
        Third octaves between which the signal lives; 0 where it goes all the way down, infinite
        where it does not end in a roll-off.
    """

    def __init__(self, spectrum: Spectrum, above: float = 0.0) -> None:
        self.frequencies, self.levels = _curve(spectrum, 12)
        self.thirds, self.third_levels = _curve(spectrum, 3)
        self.lowest, self.highest = self._lowest(above), self._highest()
        self.trend = self._trend()

    def _lowest(self, above: float) -> float:
        own = self.thirds > above * SIXTH
        if not own.any():
            return 0.0
        levels = np.where(own, self.third_levels, -np.inf)
        strongest = int(levels.argmax())
        fallen = np.flatnonzero(levels[:strongest] < levels[strongest] - FALLEN)
        return float(self.thirds[fallen[-1] + 1]) if fallen.size else 0.0

    def _highest(self) -> float:
        """Third octave behind which the level falls by 18 dB within an octave, for good."""
        for at in range(len(self.thirds) - 3):
            beyond = self.third_levels[at + 3 :].max()
            if self.thirds[at] >= ROLLING and beyond < self.third_levels[at] - ROLL_OFF:
                return float(self.thirds[at])
        return float("inf")

    def _trend(self) -> Values:
        belongs = self.third_levels > self.third_levels.max(initial=-np.inf) - DEEP
        belongs &= (self.thirds >= self.lowest) & (self.thirds <= self.highest)
        if belongs.sum() < 3:
            return self.levels.copy()
        octaves = np.log2(self.thirds[belongs])
        parabola = np.polynomial.Polynomial.fit(octaves, self.third_levels[belongs], 2)
        # A third octave holds four twelfths.
        return np.asarray(parabola(np.log2(self.frequencies)) - 10.0 * np.log10(4.0))

    @property
    def departure(self) -> Values:
        """Level against the trend in dB, in third octaves about each twelfth."""
        # The mean of five twelfths; at the ends of those that are there.
        powers = 10.0 ** (self.levels / 10.0)
        below = np.concatenate([[0.0], np.cumsum(powers)])
        places = np.arange(len(powers))
        first, last = np.maximum(places - 2, 0), np.minimum(places + 3, len(powers))
        return 10.0 * np.log10((below[last] - below[first]) / (last - first)) - self.trend

    def unevenness(self, gain: Values | float = 0.0) -> float:
        """Spread in dB of the levels about the trend from 100 Hz to 8 kHz, `gain` dB added.

        The gain is that of an equalizer at `frequencies`; the trend moves with what of it is a
        parabola itself, so that a mere tilt costs nothing.
        """
        low, high = LEVELLED
        inside = (self.frequencies >= low) & (self.frequencies <= high)
        inside &= (self.frequencies >= self.lowest) & (self.frequencies <= self.highest)
        inside &= self.levels > self.levels.max(initial=-np.inf) - DEEP
        if inside.sum() < 4:
            return 0.0
        octaves = np.log2(self.frequencies[inside])
        levels = (self.departure + self.trend + gain)[inside]
        return float(np.std(levels - np.polynomial.Polynomial.fit(octaves, levels, 2)(octaves)))


def _curve(spectrum: Spectrum, fraction: int) -> tuple[Values, Values]:
    bands = [band for band in spectrum.bands(fraction) if band.level_dbfs is not None]
    levels = [band.level_dbfs for band in bands]
    return np.array([band.midband_hz for band in bands]), np.array(levels, dtype=np.float64)


def find_regions(tilt: Tilt, *, speech: bool) -> list[Region]:
    """Regions that stand out of a spectrum; air that lacks only for `speech`.

    Parameters
    ----------
    tilt : Tilt
        Of the spectrum.
    speech : bool
        Whether the published spectrum of speech is a fair yardstick.
    """
    found: list[Region] = []
    for kind in REGIONS:
        region = _standing_out(tilt, kind)
        if region and found and _is_one_hump(tilt, found[-1], region):
            found[-1] = max(found[-1], region, key=lambda one: one.excess)
        elif region:
            found.append(region)
    return found + list(_lacking_air(tilt) if speech else ())


def _is_one_hump(tilt: Tilt, low: Region, high: Region) -> bool:
    """Whether two peaks are near and between them at least half of the lesser one is left."""
    between = (tilt.frequencies >= low.frequency) & (tilt.frequencies <= high.frequency)
    valley = tilt.departure[between].min()
    near = high.frequency < low.frequency * 2.0**ONE_HUMP
    return bool(near and valley > min(low.excess, high.excess) / 2.0)


def _standing_out(tilt: Tilt, kind: str) -> Region | None:
    low, high = REGIONS[kind]
    inside = np.flatnonzero((tilt.frequencies >= low) & (tilt.frequencies <= high))
    if not inside.size or tilt.frequencies[-1] < high:
        return None
    inside = inside[tilt.frequencies[inside] < tilt.highest / SIXTH**2]
    if not inside.size:
        return None
    departure = tilt.departure
    peak = int(inside[departure[inside].argmax()])
    excess = float(departure[peak])
    if excess < NOTABLE or tilt.frequencies[peak] < tilt.lowest:
        return None
    if tilt.levels[peak] < tilt.levels.max() - DEEP:
        return None
    octaves = _width(departure, peak) / 12.0
    q = 1.0 / (2.0 * np.sinh(np.log(2.0) / 2.0 * octaves))
    return Region(kind, float(tilt.frequencies[peak]), float(q), excess, _sure(excess))


def _width(departure: Values, peak: int) -> int:
    """Twelfths about the peak in which at least half the excess is left, 4 to 12."""
    high = departure > departure[peak] / 2.0
    start, stop = peak, peak + 1
    while start > 0 and high[start - 1]:
        start -= 1
    while stop < len(high) and high[stop]:
        stop += 1
    return int(np.clip(stop - start, 4, 12))


def _lacking_air(tilt: Tilt) -> Iterator[Region]:
    if not tilt.frequencies.size or tilt.frequencies[-1] < 0.95 * AIR[1]:
        return
    excess = _power(tilt, AIR) - _power(tilt, BODY) - AIR_OF_SPEECH
    if excess < -NOTABLE:
        yield Region("air", AIR[0], 0.7, excess, _sure(-excess))


def _power(tilt: Tilt, limits: tuple[float, float]) -> float:
    inside = (tilt.frequencies >= limits[0] / 1.1) & (tilt.frequencies <= limits[1] * 1.1)
    return float(10.0 * np.log10((10.0 ** (tilt.levels[inside] / 10.0)).sum() + 1e-20))


def _sure(excess: float) -> float:
    return MOST * excess / (excess + 2.0)
