"""Sound files in: blocks of exact float64 samples, and clear refusals."""

from __future__ import annotations

import hashlib
import io
import math
import os
import stat
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager, nullcontext
from functools import cached_property, partial
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from numpy.typing import NDArray

from chainkit.audio.chunks import WAVE_MAGICS, ChunkFile
from chainkit.audio.formats import FLOATS, GREATEST, WIDTHS, system_name
from chainkit.audio.metadata import Metadata, read_metadata
from chainkit.audio.plain import SUBTYPES, PlainSamples
from chainkit.doubts import Extent
from chainkit.errors import AudioFileError, reason
from chainkit.units import MOST_CHANNELS, RATES

BLOCK = 65536  # frames
_PIECE = 1 << 22  # bytes that are hashed at a time
Progress = Callable[[int], Any]
"""Called with the number of frames read since the last call, maybe by a thread that reads ahead."""
_UNKNOWN_LENGTH = 1 << 62  # what libsndfile says of a FLAC stream that was never closed


class AudioReader:
    """A sound file, described and checked; its samples come by `blocks`.

    Parameters
    ----------
    path : str or path

    Attributes
    ----------
    path : Path
    rate : int, Hz, 8000 to 384000
    channels : int, 1 to 32
    frames : int > 0
    container : str
        ``WAV``, ``WAVEX``, ``RF64``, ``W64``, ``AIFF``, ``CAF``, ``FLAC``, …
    subtype : str
        ``PCM_16``, ``PCM_24``, ``PCM_32``, ``FLOAT``, ``DOUBLE``, …

    Raises
    ------
    AudioFileError
        The file is missing, no sound file, empty, cut short, or out of the ranges above.
    """

    def __init__(self, path: str | os.PathLike[str]) -> None:
        self.path = Path(path)
        self._chunks = _open_chunks(self.path)
        with self._open() as file:
            self.rate: int = file.samplerate
            self.channels: int = file.channels
            self.frames: int = file.frames
            self.container: str = file.format
            self.subtype: str = file.subtype
            # In a container of chunks the tags are chunks, and known by those.
            texts = {} if self._chunks.chunks else file.copy_metadata()
        self._tags = [name for name, text in texts.items() if text]
        self._refuse_cut_short("frames", WIDTHS.get(self.subtype, 1) * self.channels)
        self._refuse_out_of_range()

    @property
    def extent(self) -> Extent:
        """Its length and its channels."""
        return Extent(self.frames / self.rate, self.channels)

    @cached_property
    def metadata(self) -> Metadata:
        """Broadcast and text chunks to carry to the output."""
        return read_metadata(self._chunks, self.path, self._tags)

    def blocks(
        self, size: int = BLOCK, progress: Progress | None = None
    ) -> Iterator[NDArray[np.float64]]:
        """Yield the samples from the start, in blocks of `size` frames, the last one shorter.

        Each call starts again. Integer samples are exact: code / 2^(bits − 1). `progress` is told
        of a block when the next one is asked for.

        Yields
        ------
        ndarray, (frames, channels), float64, C-contiguous, full scale ±1
            A new array each time.

        Raises
        ------
        AudioFileError
            A sample is not finite or beyond 1e9 times full scale, or the file cannot be decoded to
            its end.
        ValueError
            `size` is below 1.
        """
        if size < 1:
            raise ValueError(f"size={size} must be at least 1")
        done = 0
        with self._samples() as read:
            while done < self.frames:
                block = self._read(read, min(size, self.frames - done), done)
                if self.subtype in FLOATS:
                    self._refuse_no_signal(block, done)
                done += len(block)
                yield block
                if progress is not None:
                    progress(len(block))

    def sha256(self) -> str:
        """SHA-256 of the file, in hexadecimal."""
        return sha256(self.path)

    @contextmanager
    def _open(self) -> Iterator[Any]:
        with self._source() as source:
            try:
                file = soundfile.SoundFile(source)
            except soundfile.SoundFileError as fault:
                self._refuse_cut_short("bytes of samples", 1)
                raise AudioFileError(f"{self.path} is not a sound file that can be read") from fault
            with file:
                yield file

    @contextmanager
    def _samples(self) -> Iterator[Callable[[int], NDArray[np.float64]]]:
        """What gives the next so many frames, from the first on."""
        data = self._chunks.find(b"data")
        if data is not None and self._is_plain():
            with open(self.path, "rb") as file:
                file.seek(data.start)
                yield PlainSamples(file, self.channels, self.subtype).read
        else:
            with self._open() as sound:
                yield partial(sound.read, dtype="float64", always_2d=True)

    def _is_plain(self) -> bool:
        """Whether the samples lie one behind the other, three bytes for 24 bits."""
        if self._chunks.magic not in WAVE_MAGICS or self.subtype not in SUBTYPES:
            return False
        promised, _ = self._chunks.data_bytes() or (0, 0)
        return promised // (WIDTHS[self.subtype] * self.channels) == self.frames

    def _source(self) -> AbstractContextManager[Any]:
        is_bw64 = self._chunks.magic == b"BW64"
        return _AsRF64(self.path) if is_bw64 else nullcontext(system_name(self.path))

    def _read(
        self, read: Callable[[int], NDArray[np.float64]], count: int, done: int
    ) -> NDArray[np.float64]:
        fault: Exception | None = None
        try:
            block = read(count)
            if len(block):
                return block
        except (soundfile.SoundFileError, OSError) as damage:
            fault = damage
        raise AudioFileError(
            f"{self.path} is damaged or cut short: its header promises {self.frames} frames, "
            f"it cannot be decoded beyond frame {done}"
        ) from fault

    def _refuse_cut_short(self, things: str, width: int) -> None:
        promised, held = self._chunks.data_bytes() or (0, 0)
        if promised > held:
            raise AudioFileError(
                f"{self.path} is cut short: its header promises {promised // width} {things}, "
                f"it holds {held // width}"
            )

    def _refuse_out_of_range(self) -> None:
        lowest, highest = RATES
        if self.frames < 1:
            raise AudioFileError(f"{self.path} has no frames")
        if self.frames >= _UNKNOWN_LENGTH:
            raise AudioFileError(f"{self.path} does not say how long it is; save it once more")
        if self.channels > MOST_CHANNELS:
            raise AudioFileError(
                f"{self.path} has {self.channels} channels; at most {MOST_CHANNELS} are read"
            )
        if not lowest <= self.rate <= highest:
            raise AudioFileError(
                f"{self.path} has a sample rate of {self.rate} Hz, not within {lowest} to {highest}"
            )

    def _refuse_no_signal(self, block: NDArray[np.float64], start: int) -> None:
        # Minimum and maximum hand on a NaN, and are quicker than asking each sample.
        if block.min() >= -GREATEST and block.max() <= GREATEST:
            return
        frame, channel = np.argwhere(~(np.abs(block) <= GREATEST))[0]
        value, frame_in_file = block[frame, channel], start + int(frame)
        why = f"no signal: beyond {20.0 * math.log10(GREATEST):+.0f} dBFS"
        raise AudioFileError(
            f"{self.path}: sample {value} at frame {frame_in_file} "
            f"({frame_in_file / self.rate:.3f} s), channel {channel + 1}, "
            f"is {why if np.isfinite(value) else 'not a finite number'}"
        )


def read(path: str | os.PathLike[str]) -> tuple[NDArray[np.float64], int]:
    """Whole file at once: samples (frames, channels) and rate in Hz.

    Raises
    ------
    AudioFileError
        As `AudioReader` and its `blocks`.
    """
    reader = AudioReader(path)
    return np.concatenate(list(reader.blocks())), reader.rate


def sha256(path: Path) -> str:
    """SHA-256 of any file, in hexadecimal."""
    # hashlib's own loop asks for Python's lock every 256 kB, and a render's threads want it too.
    digest, piece = hashlib.sha256(), memoryview(bytearray(_PIECE))
    with open(path, "rb", buffering=0) as file:
        while count := file.readinto(piece):
            digest.update(piece[:count])
    return digest.hexdigest()


def _open_chunks(path: Path) -> ChunkFile:
    try:
        mode = path.stat().st_mode
        if stat.S_ISDIR(mode):
            raise AudioFileError(f"{path} is a folder, not a sound file")
        if not stat.S_ISREG(mode):
            raise AudioFileError(f"{path} is not a regular file")
        return ChunkFile(path)
    except FileNotFoundError as fault:
        raise AudioFileError(f"{path} does not exist") from fault
    except OSError as fault:
        raise AudioFileError(f"{path} cannot be read: {reason(fault)}") from fault


class _AsRF64(io.FileIO):
    """A BW64 file under the first four bytes of RF64.

    The two are the same but for that and a field that nobody needs (Rec. ITU-R BS.2088-1,
    annex 1); libsndfile knows only the older name.
    """

    def readinto(self, buffer: Any) -> int:
        position = self.tell()
        count = super().readinto(buffer) or 0
        view = memoryview(buffer).cast("B")
        for n in range(position, min(4, position + count)):
            view[n - position] = b"RF64"[n]
        return count
