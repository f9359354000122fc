"""The attack of a percussive source: the band in which its onsets stand out most.

Powers in bands of one-third octave (below 400 Hz of 100 Hz, which is what a window of 16 ms tells
apart) are followed every 5 ms. An onset is where the levels of many bands rise at once (spectral
flux). For each band the mean power at the onsets is set against the band's mean power: a band
that sounds only while the stick, the beater or the plectrum strikes stands out most, the body
that rings on less. Only bands that tower above both their neighbours count, as a click does: an
abrupt start spreads from where it is into the bands about it, which hold nothing else and stand out
of that. Of those that stand out alike, the strongest is named. What cannot be heard beside the
rest, 25 dB below the strongest band by the A-weighting [1]_, is left out: a kick's click lies 16 dB
below, what a cymbal above 400 Hz had at 141 Hz 52. A source is percussive
when what stands out also dies away at once; a sung vowel does not.

The thresholds were chosen on made sounds; they are no published values.

References
----------
.. [1] IEC 61672-1:2013, annex E; from memory.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from chainkit.dsp.shorttime import BAND, BANDS, ShortTimeSpectra

Powers = NDArray[np.float64]

SPAN = 3  # hops in which an onset rises: 15 ms
GREATEST_RISE = 30.0  # dB a band can add to the flux
FLUX = 6.0  # dB, mean rise of the bands that makes an onset
APART = 10  # hops between two onsets: 50 ms
DYING = 20  # hops behind an onset: 100 ms
FALL, FALLING_SHARE = 8.0, 0.6  # dB in that time, in that share of the onsets
FLOOR = 60.0  # dB below the greatest band so far, under which nothing is heard
HEARD = 25.0  # dB(A) below the strongest band at the onsets, where a band still counts
STANDING_OUT, ALIKE = 8.0, 3.0  # dB; dB within which the stronger of two bands is taken
LEAST_ONSETS = 4  # that make an attack


@dataclass(frozen=True)
class Attack:
    """Where the onsets stand out most.

    Attributes
    ----------
    low, high : float, Hz
        The band.
    prominence : float, dB
        Mean power at the onsets against the band's mean power.
    onsets : int
    share, struck : float, 0 to 1
        Of the onsets, those that die away at once there, and where they stand out most of all, be
        it in what they spread into: 1 for what is struck, up to 0.62 in made voices.
    """

    low: float
    high: float
    prominence: float
    onsets: int
    share: float
    struck: float


def band_edges() -> NDArray[np.int64]:
    """Edges of the bands in steps of 100 Hz."""
    thirds = np.rint(10.0 ** (0.1 * (np.arange(6, 22) + 0.5))).astype(np.int64)
    edges: NDArray[np.int64] = np.concatenate([np.arange(thirds[0]), thirds[thirds < BANDS]])
    return edges


class AttackMeter:
    """Streaming search; memory does not grow, and blocks do not matter.

    Parameters
    ----------
    rate : int, Hz
    channels : int
    """

    def __init__(self, rate: int, channels: int) -> None:
        edges = band_edges()
        self._edges = edges[edges * BAND < rate / 2.0]
        self._spectra = ShortTimeSpectra(rate, channels)
        count = len(self._edges)
        self._held = np.full((SPAN + APART, count), 1e-20)  # silence ahead of the first hop
        self._greatest = 1e-20
        self._whole = np.zeros(count)
        self._striking = np.zeros(count)
        self._falling = np.zeros(count)
        self._onsets = 0
        self._hops = 0

    def add(self, x: Powers) -> None:
        """Take the next frames (frames, channels)."""
        for batch in self._spectra.add(x):
            self._take(batch)

    def _take(self, batch: NDArray[np.float32]) -> None:
        powers = np.add.reduceat(batch.astype(np.float64), self._edges, axis=1)
        self._greatest = max(self._greatest, float(powers.max(initial=0.0)))
        self._held = np.concatenate([self._held, powers])
        floor = self._greatest * 10.0 ** (-FLOOR / 10.0)
        ready = len(self._held) - APART - DYING
        if ready > SPAN + APART:
            self._seek(10.0 * np.log10(np.maximum(self._held, floor)), ready)
            self._held = self._held[ready - SPAN - APART :]
        self._whole += powers.sum(axis=0)
        self._hops += len(powers)

    def _seek(self, level: Powers, ready: int) -> None:
        """Add up the onsets among the hops from `SPAN` + `APART` to `ready`."""
        rise = np.clip(level[SPAN:] - level[:-SPAN], 0.0, GREATEST_RISE).mean(axis=1)
        for hop in range(APART, ready - SPAN):
            near = rise[hop - APART : hop + APART + 1]
            if rise[hop] > FLUX and near.argmax() == APART:
                self._strike(level, hop + SPAN)

    def _strike(self, level: Powers, hop: int) -> None:
        peak = level[hop - 1 : hop + SPAN].max(axis=0)
        after = level[hop + DYING - 2 : hop + DYING + 1].mean(axis=0)
        self._striking += 10.0 ** (peak / 10.0)
        self._falling += peak - after > FALL
        self._onsets += 1

    def finish(self) -> Attack | None:
        """The attack; None for a source that is not percussive."""
        for batch in self._spectra.finish():
            self._take(batch)
        self._take(np.zeros((APART + DYING, BANDS), dtype=np.float32))
        if self._onsets < LEAST_ONSETS:
            return None
        striking = self._striking / self._onsets
        mean = np.maximum(self._whole / self._hops, 1e-20)
        standing = 10.0 * np.log10(np.maximum(striking, 1e-20) / mean)
        edges = np.append(self._edges, BANDS) * BAND
        heard = striking * a_weights((edges[:-1] + edges[1:]) / 2.0)
        standing[heard < heard.max() * 10.0 ** (-HEARD / 10.0)] = -np.inf
        struck = float(self._falling[int(standing.argmax())] / self._onsets)
        standing[striking < _beside(striking).max(axis=0)] = -np.inf
        alike = standing > standing.max() - ALIKE
        band = int(np.where(alike, striking, 0.0).argmax())
        share = float(self._falling[band] / self._onsets)
        if standing[band] < STANDING_OUT or share < FALLING_SHARE:
            return None
        return Attack(
            low=float(edges[band]),
            high=float(edges[band + 1]),
            prominence=float(standing[band]),
            onsets=self._onsets,
            share=share,
            struck=struck,
        )


def a_weights(frequencies: Powers) -> Powers:
    """Factors of the A-weighting on power at frequencies in Hz, but for a constant [1]_."""
    f = frequencies**2
    lows = (f + 20.6**2) * np.sqrt((f + 107.7**2) * (f + 737.9**2))
    weights: Powers = (f**2 / (lows * (f + 12194.0**2))) ** 2
    return weights


def _beside(striking: Powers) -> Powers:
    """The bands below and above each, (2, bands)."""
    padded = np.pad(striking, 1)
    return np.stack([padded[:-2], padded[2:]])
