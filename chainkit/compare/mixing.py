"""The backing, and the voice placed in it."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from chainkit.audio.reader import AudioReader
from chainkit.chain.stream import Audio, measure_loudness
from chainkit.errors import AudioFileError


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

    def blocks(self, size: int) -> Iterator[Audio]:
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

    def loudness(self, size: int) -> float | None:
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
