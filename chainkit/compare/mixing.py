"""The backing, and renders of the voice placed in it."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from chainkit.audio.reader import BLOCK, AudioReader
from chainkit.chain.stream import Audio, measure_loudness, metered
from chainkit.dsp.audibility import ThirdOctaves, audibility, third_octave_powers
from chainkit.dsp.levels import to_gain
from chainkit.dsp.loudness import SHORTEST, LoudnessMeter, gating_block
from chainkit.dsp.truepeak import TruePeakMeter
from chainkit.errors import AudioFileError

SOUNDING_DB = 50.0
"""Windows less than this many dB below the voice's loudest one count in the audibility."""


def widened(x: Audio, channels: int) -> Audio:
    """`x` with `channels` channels: a mono voice goes to each of them at its own level."""
    return x if x.shape[1] == channels else np.repeat(x, channels, axis=1)


@dataclass(frozen=True)
class FittedBacking:
    """The rest of the mix, cut to the voice's length.

    Parameters
    ----------
    reader : AudioReader
    channels : int
        Channels of the mix: the greater of voice and backing.
    frames : int
        Length of the voice; a shorter backing goes on as silence.
    """

    reader: AudioReader
    channels: int
    frames: int

    def blocks(self, size: int = BLOCK) -> Iterator[Audio]:
        """The backing from its start, in blocks of `size` frames, the last one shorter."""
        left = self.frames
        for block in itertools.chain(self.reader.blocks(size), itertools.repeat(None)):
            if left <= 0:
                return
            piece = np.zeros((min(size, left), self.channels))
            if block is not None:
                piece[: len(block)] = widened(block[: len(piece)], self.channels)
            yield piece
            left -= len(piece)

    def loudness(self, size: int = BLOCK) -> float | None:
        """Integrated loudness in LUFS."""
        return measure_loudness(self.blocks(size), self.reader.rate, self.channels)


def open_backing(path: str, voice: AudioReader) -> FittedBacking:
    """The backing at `path`, checked against the voice.

    Raises
    ------
    AudioFileError
        It cannot be read, has another sample rate, or channels that do not fit the voice's.
    """
    reader = AudioReader(path)
    if reader.rate != voice.rate:
        raise AudioFileError(
            f"{path} is at {reader.rate} Hz and {voice.path} at {voice.rate} Hz; "
            "bring them to one sample rate first"
        )
    if 1 not in (reader.channels, voice.channels) and reader.channels != voice.channels:
        raise AudioFileError(
            f"{path} has {reader.channels} channels and {voice.path} {voice.channels}; "
            "give one of them in mono, or both with the same number"
        )
    return FittedBacking(reader, max(reader.channels, voice.channels), voice.frames)


@dataclass(frozen=True)
class MixMeasurement:
    """What was measured of one mix.

    Parameters
    ----------
    loudness : LoudnessMeter
    true_peak : float or None, dBTP
    clear : ndarray, (windows,), 0 to 1
        How far the voice stands clear of the backing in each window of 50 ms; NaN where it does not
        sound.
    """

    loudness: LoudnessMeter
    true_peak: float | None
    clear: Audio


class Mix:
    """Renders of a voice, each placed in the same backing at the same loudness against it.

    Parameters
    ----------
    voice : AudioReader
        As it was recorded.
    backing : FittedBacking
    level : float or None, LU
        Loudness of the voice against the backing; as in the files if None.

    Attributes
    ----------
    level : float, LU

    Raises
    ------
    AudioFileError
        The backing is silent, or the level is to be as in the files and the voice is, or too short.
    """

    def __init__(self, voice: AudioReader, backing: FittedBacking, level: float | None) -> None:
        self._backing = backing
        self._beneath = backing.loudness()
        self._is_short = voice.frames < gating_block(voice.rate)  # then neither has a loudness
        if self._beneath is None and not self._is_short:
            told = f"{backing.reader.path} is silent while {voice.path} lasts: there is no mix"
            raise AudioFileError(told)
        self.level = self._level_of(voice) if level is None else level
        self._powers = third_octave_powers(backing.blocks(), voice.rate)

    def _level_of(self, voice: AudioReader) -> float:
        if self._is_short or self._beneath is None:
            told = f"{voice.path} is shorter than {SHORTEST:g} s: it has no level in a mix"
            raise AudioFileError(told)
        loudness = self._meter(voice).integrated()
        if loudness is None:
            raise AudioFileError(f"{voice.path} is silent: it has no level in a mix")
        return loudness - self._beneath

    def _meter(self, voice: AudioReader) -> LoudnessMeter:
        """Loudness of `voice` on the channels of the mix."""
        channels = self._backing.channels
        wide = (widened(block, channels) for block in voice.blocks())
        return metered(wide, voice.rate, channels)

    def place(self, voice: AudioReader) -> float:
        """Gain in dB that gives a render its loudness against the backing; 0 dB for silence."""
        if self._beneath is None:
            return 0.0
        return self._meter(voice).trim_to(self._beneath + self.level) or 0.0

    def blocks(self, voice: AudioReader, gain: float) -> Iterator[tuple[Audio, Audio]]:
        """Blocks of the mix, and of the voice in it, `gain` dB louder than it was rendered."""
        factor = to_gain(gain)
        for block, beneath in zip(voice.blocks(), self._backing.blocks(), strict=True):
            placed = factor * widened(block, self._backing.channels)
            yield placed + beneath, placed

    def measure(self, voice: AudioReader, gain: float) -> MixMeasurement:
        """Figures of the mix with a render that is placed by `gain` dB."""
        meter = LoudnessMeter(voice.rate, self._backing.channels)
        peaks = TruePeakMeter(self._backing.channels)
        powers = ThirdOctaves(voice.rate)
        for mix, placed in self.blocks(voice, gain):
            meter.add(mix)
            peaks.add(mix)
            powers.add(placed)
        return MixMeasurement(meter, peaks.dbtp(), self._clear(powers.powers(), voice.rate))

    def _clear(self, voice: Audio, rate: int) -> Audio:
        total = voice.sum(axis=1)
        sounding = total > total.max(initial=0.0) * 10 ** (-SOUNDING_DB / 10)
        return np.where(sounding, audibility(voice, self._powers, rate), np.nan)
