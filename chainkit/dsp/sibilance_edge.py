"""The sibilance edge: the frequency above which a voice's sibilants carry their energy.

For each sibilant the power spectrum is averaged over a sixth of an octave; coming down from its
peak, the edge is where the spectrum has fallen to half its amplitude (−6 dB). The edge of the voice
is the median over its sibilants. A de-esser's band begins a little below (common practice, no
source: start near 5.5 kHz, then listen).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from chainkit.dsp.sibilance import Sibilant

Audio = NDArray[np.float64]

SEARCHED = (2000.0, 12000.0)  # Hz
SMOOTHED = 2.0 ** (1.0 / 12.0)  # half of a sixth of an octave
FALLEN = 0.25  # of the peak's power: half its amplitude
SHORTEST = 0.016  # seconds


@dataclass(frozen=True)
class Hiss:
    """The spectrum of one sibilant.

    Attributes
    ----------
    edge_hz : float
    powers : ndarray, (161,)
        Mean square above 0, 100, … 16000 Hz.
    """

    edge_hz: float
    powers: Audio

    def level_above(self, frequency: float, weights: Audio | None = None) -> float:
        """RMS level in dBFS above a frequency, `weights` (160,) factors on power behind an EQ."""
        powers = -np.diff(self.powers) * (1.0 if weights is None else weights)
        power = float(powers[STEPS[:-1] >= frequency].sum())
        return 10.0 * math.log10(max(power, 1e-20))

    def share_above(self, frequency: float, weights: Audio | None = None) -> float:
        """The same against the level of the whole, in dB."""
        return self.level_above(frequency, weights) - self.level_above(0.0, weights)


STEPS = np.arange(0.0, 16001.0, 100.0)  # Hz


class HissCollector:
    """Gathers the sound of sibilants from a stream and keeps their spectra.

    Parameters
    ----------
    rate : int, Hz
    sibilants : sequence of Sibilant
    """

    def __init__(self, rate: int, sibilants: Sequence[Sibilant]) -> None:
        self._rate = rate
        spans = [(round(event.start * rate), round(event.end * rate)) for event in sibilants]
        self._spans = [span for span in spans if span[1] - span[0] >= SHORTEST * rate]
        self._open: list[Audio] = []
        self._next = 0
        self._place = 0
        self.hisses: list[Hiss] = []

    def add(self, x: Audio) -> None:
        """Take the next frames (frames,)."""
        end = self._place + len(x)
        while self._next < len(self._spans) and self._spans[self._next][0] < end:
            start, stop = self._spans[self._next]
            self._open.append(x[max(0, start - self._place) : stop - self._place])
            if stop > end:
                break
            self.hisses.append(describe(np.concatenate(self._open), self._rate))
            self._open, self._next = [], self._next + 1
        self._place = end


def describe(x: Audio, rate: int) -> Hiss:
    """Edge and powers of one sibilant.

    Parameters
    ----------
    x : ndarray, (frames,)
    rate : int, Hz
    """
    window = np.hanning(len(x) + 2)[1:-1]
    powers = np.abs(np.fft.rfft(x * window)) ** 2 * 2.0 / (len(x) * (window**2).sum())
    below = np.concatenate([[0.0], np.cumsum(powers)])
    spacing = rate / len(x)

    def up_to(frequencies: Audio) -> Audio:
        return np.interp(frequencies / spacing + 0.5, np.arange(len(below)), below)

    places = np.arange(SEARCHED[0] / 2.0, min(SEARCHED[1], 0.48 * rate), 25.0)
    smooth = (up_to(places * SMOOTHED) - up_to(places / SMOOTHED)) / places
    peak = int(np.where(places >= SEARCHED[0], smooth, 0.0).argmax())
    fallen = np.flatnonzero(smooth[:peak] < FALLEN * smooth[peak])
    edge = places[fallen[-1] + 1] if fallen.size else places[0]
    return Hiss(float(edge), below[-1] - up_to(STEPS))


def edge(hisses: Sequence[Hiss]) -> float | None:
    """Median edge in Hz; None without sibilants."""
    return float(np.median([hiss.edge_hz for hiss in hisses])) if hisses else None
