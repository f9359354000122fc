"""Rumble: what thumps or drones below a voice, and how low it is.

The low end is followed in spectra of 0.2 s. A thump is a short rise of what lies below 60 Hz that
owes nothing to the voice: there is more energy there than from 60 to 200 Hz, where a voice has its
fundamental. Steady rumble is as strong in the pauses as it usually is, and they hold little else.
Both count only where they are no more than 30 dB below the source. Mains hum is left out by its own
lines, of which only what is always there is no voice: left out whole, 6 of 9 synthetic voices with
hum had thumps at 12 to 16 Hz.

Where the energy lies is measured up to 100 Hz, of thumps on what rises above the usual low end. The
thresholds were chosen on made sounds; they are no published values.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from chainkit.dsp import filters
from chainkit.dsp.decimation import Decimator
from chainkit.dsp.loudness import HOPS_A_SECOND

Values = NDArray[np.float64]

RUMBLE_HZ = 60.0  # what lies below is not sung
LOWEST, HIGHEST, VOICES = 10.0, 100.0, 200.0  # Hz: of what is measured; of a fundamental
REDUCED_RATE = 1000  # Hz, at least
WINDOW = 0.2  # seconds, overlapping by half
HOPS = 10  # of 10 ms from one window to the next
OWN = 1.0  # of the power from 60 to 200 Hz
OWN_IN_PAUSES = 2.0  # of the same, in the pauses
BURST = 15.0  # dB above the usual level of the low end
LONGEST = 6  # windows of one thump, which of 0.1 s fills three
AUDIBLE = 1e-3  # of the mean power of the source
LEAST_USUAL = 1e-6  # of the same, below which the low end counts as empty
SOUNDING, PAUSE = 1e-3, 0.03  # of the mean power: where it sounds; where it pauses
ELSEWHERE = 0.5  # of the source's energy that must lie outside the thumps
LEAST_PAUSES = 5  # windows
STEADY = 2.0  # factor within which pauses are alike, and the rest is like them
NEAR_LINE = 10.0  # Hz
STEADY_PERCENT = 10.0  # of the windows, the pauses, in which a line of hum is alone


@dataclass(frozen=True)
class Rumble:
    """Thumps or a steady drone below the source.

    Attributes
    ----------
    frequency : float, Hz
        Middle of its energy.
    bursts : int
        Thumps; 0 where it is steady.
    prominence : float, dB
        Level of the low end in it, the median thump's or that of the pauses, against what is
        usual there while nothing thumps, or against 60 to 200 Hz in the pauses.
    share : float, 0 to 1
        Of the time.
    confidence : float, 0 to 1
    part : float, 0 to 1
        Of the energy of everything, what lies in the low end while it thumps or drones.
    reach : float, Hz
        Up to where it makes up most of the long-term spectrum.
    """

    frequency: float
    bursts: int
    prominence: float
    share: float
    confidence: float
    part: float
    reach: float


class RumbleMeter:
    """Streaming spectra of the low end; keeps 40 numbers for each 0.1 s.

    Parameters
    ----------
    rate : int, Hz
    channels : int
        Their powers are added.
    """

    def __init__(self, rate: int, channels: int) -> None:
        low = filters.butterworth("lowpass", rate, 1.2 * VOICES, 8)
        self._low = Decimator(low, rate, REDUCED_RATE, channels)
        self._rate = self._low.rate
        self._size = 2 * round(WINDOW * self._rate / 2.0)
        window = np.hanning(self._size + 1)[:-1]
        # The bins of a sine's two sides and main lobe add up to its mean square.
        self._window = window * np.sqrt(2.0 / self._size / (window**2).sum())
        self._held = np.zeros((0, channels))
        self._dropped, self._windows = 0, 0
        self._rows: list[NDArray[np.float32]] = []

    def add(self, x: Values) -> None:
        """Take the next frames (frames, channels)."""
        self._held = np.concatenate((self._held, self._low.process(x)))
        starts = self._starts()
        if starts.size:
            windows = self._held[starts[:, None] + np.arange(self._size)]
            spectra = np.abs(np.fft.rfft(windows * self._window[:, None], axis=1)) ** 2
            self._rows.append(spectra.sum(axis=2).astype(np.float32))
            self._windows += len(starts)
            self._held = self._held[starts[-1] :]
            self._dropped += int(starts[-1])

    def _starts(self) -> NDArray[np.int64]:
        """Where in what is held the next windows start: every 0.1 s, whatever the rate is."""
        hop = HOPS / HOPS_A_SECOND * self._rate
        behind = int((self._dropped + len(self._held)) / hop) + 1
        starts = np.rint(np.arange(self._windows, behind) * hop).astype(np.int64) - self._dropped
        return starts[starts + self._size <= len(self._held)]

    def finish(self, whole: Values, hum: tuple[float, ...] = ()) -> Rumble | None:
        """The rumble; None where there is none.

        Parameters
        ----------
        whole : ndarray, (hops,)
            Mean square of everything in each 10 ms, summed over the channels.
        hum : tuple of float, Hz
            Lines that are no rumble.
        """
        if not self._rows:
            return None
        powers = np.concatenate(self._rows).astype(np.float64)
        frequencies = np.arange(powers.shape[1]) * self._rate / self._size
        count = min(len(powers), len(whole) // HOPS - 1)
        if count < 1:
            return None
        tenths = whole[: (count + 1) * HOPS].reshape(-1, HOPS).mean(axis=1)
        kept = np.ones(len(frequencies), dtype=bool)
        for line in hum:
            kept &= np.abs(frequencies - line) > NEAR_LINE
        whole = (tenths[:-1] + tenths[1:]) / 2.0
        beside = (frequencies > RUMBLE_HZ) & (frequencies <= VOICES)
        source = _without_steady(powers[:count], ~kept)[:, beside].sum(axis=1)
        end = _LowEnd(powers[:count] * kept, frequencies, whole, source)
        return end.thumps() or end.drone()


def _without_steady(powers: Values, lines: NDArray[np.bool_]) -> Values:
    """Powers (windows, bins), without what is always there in the bins of hum.

    A voice that sings on a line of the hum is heard there all the same.
    """
    source = powers.copy()
    source[:, lines] -= np.percentile(powers[:, lines], STEADY_PERCENT, axis=0)
    return np.maximum(source, 0.0)


class _LowEnd:
    """Spectra (windows, bins) of the low end; powers of everything, and from 60 to 200 Hz."""

    def __init__(self, powers: Values, frequencies: Values, whole: Values, beside: Values) -> None:
        self._powers, self._frequencies = powers, frequencies
        self._low = self._between(LOWEST, RUMBLE_HZ)
        self._beside = beside
        self._source = np.maximum(whole - self._low, 0.0)
        self._whole = float(whole.mean())
        audible = self._low > AUDIBLE * self._source.mean()
        self._own = audible & (self._low > OWN * self._beside)

    def _between(self, low: float, high: float) -> Values:
        inside = (self._frequencies >= low) & (self._frequencies <= high)
        return np.asarray(self._powers[:, inside].sum(axis=1))

    def thumps(self) -> Rumble | None:
        """Short rises, in a source that lives outside them."""
        sounding = self._source > SOUNDING * self._source.mean()
        if not sounding.any():
            return None
        usual = float(np.median(self._low[sounding]))
        usual = max(usual, LEAST_USUAL * self._source.mean())
        risen = self._own & (self._low > usual * 10.0 ** (BURST / 10.0))
        edges = np.flatnonzero(np.diff(risen, prepend=False, append=False)).reshape(-1, 2)
        short = [(int(a), int(b)) for a, b in edges if b - a <= LONGEST]
        inside = np.zeros(len(risen), dtype=bool)
        for first, behind in short:
            inside[first:behind] = True
        if not short or self._source[~inside].sum() < ELSEWHERE * self._source.sum():
            return None
        greatest = float(np.median([self._low[first:behind].max() for first, behind in short]))
        calm = np.median(self._powers[sounding & ~inside], axis=0)
        spectrum = np.maximum(self._powers[inside] - calm, 0.0).sum(axis=0) / len(inside)
        middle = self._middle(spectrum)
        return Rumble(
            frequency=middle,
            bursts=len(short),
            prominence=10.0 * float(np.log10(greatest / usual)),
            share=float(inside.mean()),
            confidence=len(short) / (len(short) + 3.0),
            part=self._part(self._low * inside),
            reach=self._reach(spectrum, middle),
        )

    def drone(self) -> Rumble | None:
        """What is there in the pauses, as strong as it usually is and with little else."""
        pauses = self._source < PAUSE * self._source.mean()
        if pauses.sum() < LEAST_PAUSES:
            return None
        low = self._low[pauses]
        usual = float(np.median(low))
        beside = float(np.median(self._beside[pauses]))
        if usual <= max(AUDIBLE * self._source.mean(), OWN_IN_PAUSES * beside):
            return None
        if np.median(self._low) > STEADY * usual:
            return None
        spectrum = np.median(self._powers[pauses], axis=0)
        middle = self._middle(spectrum)
        steady = float(((low > usual / STEADY) & (low < usual * STEADY)).mean())
        return Rumble(
            frequency=middle,
            bursts=0,
            prominence=10.0 * float(np.log10(usual / max(beside, 1e-20))),
            share=1.0,
            confidence=steady * low.size / (low.size + LEAST_PAUSES),
            part=self._part(low),
            reach=self._reach(spectrum, middle),
        )

    def _part(self, low: Values) -> float:
        """Share of the energy of everything that a power of the low end makes up."""
        return float(low.mean()) / max(self._whole, 1e-20)

    def _middle(self, spectrum: Values) -> float:
        """Frequency in Hz below and above which there is as much power."""
        inside = (self._frequencies >= LOWEST) & (self._frequencies <= HIGHEST)
        below = np.concatenate([[0.0], np.cumsum(spectrum[inside])])
        spacing = self._frequencies[1]
        edges = self._frequencies[inside][0] + spacing * (np.arange(len(below)) - 0.5)
        return float(np.interp(below[-1] / 2.0, below, edges))

    def _reach(self, spectrum: Values, middle: float) -> float:
        """Frequency in Hz up to which a spectrum makes up half of the whole's and more."""
        most = spectrum > 0.5 * self._powers.mean(axis=0)
        less = np.flatnonzero(~most & (self._frequencies > middle))
        return float(self._frequencies[less[0] - 1] if less.size else self._frequencies[-1])
