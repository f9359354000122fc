"""Levels of a voice: peak, RMS, offset, clipped runs, and when the voice sounds.

The voice sounds in a window of 50 ms whose level is above a gate. A window's level is taken about
the mean of each channel in it, so that a DC offset is neither voice nor noise. The gate stands
25 dB below the voice's own level, which is the power mean of the windows above −70 dBFS and above
20 dB below their mean. Where there is noise in the pauses and the gate would lie within 6 dB of it,
the gate is raised to stand 6 dB above that, but never nearer than 10 dB to the voice's level. All
of it moves with the playback level.

Noise is steady, while quiet singing, soft consonants and what dies away are spread. So noise is
what a good part of the quiet windows have for a level, digital silence left out: silencing the
pauses of a voice takes its noise away, and what is quiet of the voice does not stand in for it.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from chainkit.dsp.kernels_meter import tally
from chainkit.dsp.levels import SILENT

WINDOWS_A_SECOND = 20
CLIPPED = 1.0 - 2.0**-15  # the highest code of 16 bits; common practice, no source
CLIPPED_RUN = 3  # frames in a row; common practice, no source
INTEGERS = 40.0  # dBFS of the peak, from which floats are integers, 8 bits at least: no source

_ABSOLUTE_GATE = -70.0  # dBFS
_RELATIVE_GATE = -20.0  # dB, as in EBU Tech 3342
_BELOW_VOICE = 25.0  # dB
_ABOVE_FLOOR = 6.0  # dB
_NEAREST = 10.0  # dB
_STEADY = 4.0  # dB by which the windows of a noise differ, if much of it is low
_PAUSE = 0.5  # seconds
_LOWEST, _STEP, _CLASSES = SILENT, 0.1, 4000  # dB, of the level classes: to +200 dBFS
_SILENCE = 10.0 ** (SILENT / 10.0)  # power


class AmplitudeMeter:
    """Streaming levels of one programme; the same bits however it is cut into blocks.

    Window levels are kept as counts in classes of 0.1 dB, so that memory does not grow.

    Parameters
    ----------
    rate : int, Hz
    channels : int
    """

    def __init__(self, rate: int, channels: int) -> None:
        self._rate = rate
        self._channels = channels
        self._place = np.zeros(2, dtype=np.int64)
        self._totals = np.zeros((channels, 5))
        self._runs = np.zeros((channels, 3), dtype=np.int64)
        self._runs[:, 2] = -1
        self._squares = np.zeros(1)
        self._counts = np.zeros(_CLASSES, dtype=np.int64)
        self._silent = 0  # windows of digital silence, and of them those between sounds
        self._silent_between = 0
        self._silent_since = 0
        self._sounded = False

    def add(self, x: NDArray[np.float64]) -> None:
        """Take the next frames.

        Parameters
        ----------
        x : ndarray, (frames, channels)
        """
        out = np.empty(len(x) * WINDOWS_A_SECOND // self._rate + 2)
        count = tally(
            x, self._rate, WINDOWS_A_SECOND, self._place, self._totals, self._runs,
            self._squares, CLIPPED, CLIPPED_RUN, out,
        )  # fmt: skip
        (heard,) = np.nonzero(out[:count] > _SILENCE)
        sounding = out[heard]
        self._count_silence(count, heard)
        classes = ((10.0 * np.log10(sounding) - _LOWEST) / _STEP).astype(np.int64)
        np.add.at(self._counts, np.clip(classes, 0, _CLASSES - 1), 1)

    def _count_silence(self, count: int, heard: NDArray[np.intp]) -> None:
        """Count the windows of digital silence among the next `count`; `heard` are the others."""
        self._silent += count - len(heard)
        if len(heard):
            first = 0 if self._sounded else int(heard[0])
            within = int(heard[-1]) + 1 - first - len(heard)
            self._silent_between += within + self._silent_since
            self._silent_since = 0
            self._sounded = True
        since = count - (int(heard[-1]) + 1 if len(heard) else 0)
        self._silent_since += since if self._sounded else 0

    @property
    def frames(self) -> int:
        """Frames seen so far."""
        return int(self._place[0])

    def sample_peak(self) -> float | None:
        """Greatest |sample| in dBFS; None for silence."""
        return _decibels(float(self._totals[:, 1].max()) ** 2)

    def rms(self) -> float | None:
        """Root mean square over all channels in dBFS; None for silence."""
        values = self.frames * self._channels
        squares = float(self._squares[0] + self._totals[:, 2].sum())
        return _decibels(squares / values) if values else None

    def dc_offset(self) -> float:
        """Mean of the channel whose mean lies farthest from zero, full scale ±1."""
        means = (self._totals[:, 0] + self._totals[:, 3]) / max(1, self.frames)
        return float(means[np.abs(means).argmax()])

    def clipped_runs(self) -> int | None:
        """Runs of 3 or more frames of one value at or above full scale, in all channels.

        None for integers stored as floats: their full scale is not 1.
        """
        return None if self._holds_integers() else int(self._runs[:, 1].sum())

    def _holds_integers(self) -> bool:
        peak = self.sample_peak()
        return peak is not None and peak > INTEGERS

    def first_clipped(self) -> float | None:
        """Time of the first clipped frame in seconds; None when there is none."""
        if self._holds_integers():
            return None
        starts = self._runs[:, 2][self._runs[:, 2] >= 0]
        return int(starts.min()) / self._rate if starts.size else None

    def gate(self) -> float | None:
        """Level in dBFS from which a window counts as sounding; None for silence."""
        voice = self.voice_level()
        if voice is None:
            return None
        noise = self._steady(voice - _NEAREST)
        floor = _LOWEST if noise is None else _percentile(noise, 0.5)
        return min(max(voice - _BELOW_VOICE, floor + _ABOVE_FLOOR), voice - _NEAREST)

    def voice_level(self) -> float | None:
        """Level of the voice while it sounds in dBFS: gated power mean; None for silence."""
        mean = self._mean_above(_ABSOLUTE_GATE)
        if mean is None:
            mean = self._mean_above(_LOWEST)
        return None if mean is None else self._mean_above(mean + _RELATIVE_GATE)

    def sounding_share(self) -> float:
        """Share of time in which the voice sounds, 0 to 1."""
        gate = self.gate()
        if gate is None:
            return 0.0
        windows = int(self._counts.sum()) + self._silent
        return float(self._counts[_levels() >= gate].sum() / windows)

    def noise_floor(self) -> float | None:
        """Level in dBFS of the noise that is heard in the pauses.

        The median of what is steady among the windows in which the voice does not sound. None
        where nothing is, or where that is shorter than the digital silence between the sounds: then
        it is tails, which are alike where one sample is struck again and again.
        """
        gate = self.gate()
        noise = None if gate is None else self._steady(gate)
        if noise is None or self._silent_between > noise.sum():
            return None
        return round(_percentile(noise, 0.5), 2)  # the middle of a class: exact to 0.05

    def _steady(self, below: float) -> NDArray[np.int64] | None:
        """Counts of the noise among the windows quieter than `below` dBFS.

        They are those up to 4 dB above the level that a twentieth of the quiet windows does not
        reach, digital silence left out. None where a quarter does not lie there, or where they make
        up less than half a second: there is too little pause to tell.
        """
        quiet = np.where(_levels() < below, self._counts, 0)
        most = _percentile(quiet, 0.05) + _STEADY
        steady = np.where(_levels() <= most, quiet, 0)
        if steady.sum() < _PAUSE * WINDOWS_A_SECOND or _percentile(quiet, 0.25) > most:
            return None
        return steady

    def _mean_above(self, gate: float) -> float | None:
        levels = _levels()
        kept = np.where(levels >= gate, self._counts, 0)
        if not kept.any():
            return None
        return _decibels(float((kept * 10.0 ** (levels / 10.0)).sum() / kept.sum()))


def _levels() -> NDArray[np.float64]:
    """Middle of each level class in dBFS."""
    return _LOWEST + _STEP * (np.arange(_CLASSES, dtype=np.float64) + 0.5)


def _percentile(counts: NDArray[np.int64], share: float) -> float:
    """Level that this share of the counted windows does not reach."""
    below = np.cumsum(counts)
    return float(_levels()[np.searchsorted(below, share * below[-1])])


def _decibels(power: float) -> float | None:
    return 10.0 * math.log10(power) if power > 0.0 else None
