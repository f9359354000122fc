"""Sound files out: exact codes, dither, clip refusal; complete or not there at all."""

from __future__ import annotations

import math
import os
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path
from types import TracebackType
from typing import Any

import numpy as np
import soundfile
from numpy.typing import ArrayLike, NDArray

from chainkit.audio import plain
from chainkit.audio.atomic import cannot_write, pending_file
from chainkit.audio.chunks import ChunkFile, overwrite
from chainkit.audio.formats import (
    BITS,
    GREATEST,
    WAVE_FAMILY,
    WIDTHS,
    check_channels,
    check_subtype,
    container_of,
    fits,
    system_name,
)
from chainkit.audio.metadata import Metadata, coding_history_line
from chainkit.dsp.dither import Clipping, Quantizer
from chainkit.errors import ClippingError, OutputError

_PIECE = 65536  # samples handled at a time: what stays in the processor's cache is quicker


class AudioWriter:
    """A sound file being written; a context manager.

    Leaving the block well completes the file and renames it into place; leaving it with an
    exception leaves nothing behind.

    Integer samples are rounded and, once bits are lost, dithered (`chainkit.dsp.dither`). Floating
    point samples are stored as they are; 32-bit ones are rounded to nearest, without dither.

    Parameters
    ----------
    path : str or path
    rate : int, Hz
    channels : int
    container, subtype : str
        As `output_format` gives them.
    metadata : Metadata, optional
        Carried into WAV and RF64 files. May be replaced until the block ends.
    seed : int ≥ 0
        Of the dither.
    allow_clipping : bool
        Keep a file whose samples were held at full scale.
    force : bool
        Replace a file that is there.

    Attributes
    ----------
    frames : int
        Written so far.

    Raises
    ------
    UsageError
        The container cannot hold this sample format or so many channels.
    OutputError
        The file exists or cannot be written, or a sample is not finite.
    ClippingError
        Samples clipped; at the end of the block.
    """

    def __init__(
        self,
        path: str | os.PathLike[str],
        *,
        rate: int,
        channels: int,
        container: str,
        subtype: str,
        metadata: Metadata | None = None,
        seed: int = 0,
        allow_clipping: bool = False,
        force: bool = False,
    ) -> None:
        check_channels(container, channels)
        self.path = Path(path)
        self.rate = rate
        self.channels = channels
        self.container = container
        self.subtype = check_subtype(container, subtype)
        self.metadata = metadata or Metadata()
        self.allow_clipping = allow_clipping
        self.force = force
        self.frames = 0
        bits = BITS.get(self.subtype)
        self._quantizer = Quantizer(bits, channels, seed) if bits else None
        self._range = (-1.0, 1.0 - 2.0 ** (1 - bits)) if bits else (-math.inf, math.inf)
        self._finished = False
        self._running: AbstractContextManager[AudioWriter] = self._run()

    @property
    def dithered(self) -> bool:
        """Whether dither has set in."""
        return self._quantizer is not None and self._quantizer.dithered

    @property
    def clipping(self) -> Clipping | None:
        """What has clipped so far."""
        return self._quantizer.clipping if self._quantizer else None

    @property
    def left_out(self) -> tuple[str, ...]:
        """Chunks of the input that the output lacks: not known, or not taken by its container."""
        taken = self.container in WAVE_FAMILY
        return (*(() if taken else self.metadata.names), *self.metadata.unknown)

    def write(self, block: NDArray[np.float64]) -> NDArray[np.float64]:
        """Add frames.

        Parameters
        ----------
        block : ndarray, (frames, channels), float64, full scale ±1

        Returns
        -------
        ndarray
            `block` as far as the sample format reaches: what is too great is at full scale.

        Raises
        ------
        OutputError
            A sample is not finite or too great for the format, or the file cannot be written on.
        ValueError
            The block has another shape.
        """
        if block.ndim != 2 or block.shape[1] != self.channels:
            raise ValueError(f"block of shape {block.shape} is not (frames, {self.channels})")
        low, high = self._range
        beyond = False
        frames = max(1, _PIECE // self.channels)
        for start in range(0, len(block), frames):
            piece = block[start : start + frames]
            least, most = self._extremes(piece)
            beyond = beyond or least < low or most > high
            self._refuse_too_long(len(piece))
            self._store(self._samples(piece))
            self.frames += len(piece)
        return np.clip(block, low, high) if beyond else block

    def finish(self) -> Path:
        """Complete the file, which stays under a name of its own until the block ends.

        A record that tells of it can then be written before it appears. The end of the block
        completes a file that is not complete by then.

        Returns
        -------
        Path
            Where the complete file lies until then.

        Raises
        ------
        OutputError
            It cannot be written to its end.
        ClippingError
            Samples clipped, which is not allowed.
        """
        if not self._finished:
            self._finished = True
            self._close()
            self._refuse_clipping()
            self._complete()
            self._refuse_incomplete()
        return self._pending

    def __enter__(self) -> AudioWriter:
        return self._running.__enter__()

    def __exit__(
        self,
        kind: type[BaseException] | None,
        fault: BaseException | None,
        trace: TracebackType | None,
    ) -> bool | None:
        return self._running.__exit__(kind, fault, trace)

    @contextmanager
    def _run(self) -> Iterator[AudioWriter]:
        with (
            pending_file(self.path, self.force) as self._pending,
            self._sound_file() as self._file,
        ):
            yield self
            self.finish()

    @contextmanager
    def _sound_file(self) -> Iterator[Any]:
        try:
            with self._opened() as file:
                yield file
        except soundfile.SoundFileError as fault:
            raise self._write_fault() from fault

    def _opened(self) -> Any:
        """A file that takes samples, its header in place."""
        file = soundfile.SoundFile(
            system_name(self._pending),
            mode="w",
            samplerate=self.rate,
            channels=self.channels,
            format=self.container,
            subtype=self.subtype,
        )
        if not plain.is_written(self.container, self.subtype):
            return file
        file.close()
        return plain.PlainFile(self._pending, self.subtype)

    def _samples(self, block: NDArray[np.float64]) -> NDArray[Any]:
        if self._quantizer:
            return self._quantizer.process(block)
        # Rounding to nearest here is quicker than letting libsndfile do it.
        return block.astype(np.float32) if self.subtype == "FLOAT" else block

    def _store(self, samples: NDArray[Any]) -> None:
        try:
            self._file.write(samples)
        except (soundfile.SoundFileError, AssertionError) as fault:
            # soundfile asserts that all frames went out.
            raise self._write_fault() from fault
        except OSError as fault:
            raise cannot_write(self.path, fault) from fault

    def _write_fault(self) -> OutputError:
        """Why writing failed: libsndfile does not say, so the system is asked once more."""
        try:
            with open(self._pending, "ab") as file:
                file.write(bytes(1 << 16))
        except OSError as fault:
            return cannot_write(self.path, fault)
        return OutputError(f"{self.path} cannot be written as {self.container} {self.subtype}")

    def _close(self) -> None:
        try:
            self._file.close()
        except OSError as fault:
            raise cannot_write(self.path, fault) from fault

    def _complete(self) -> None:
        try:
            self._still_peak_time()
            if self.container in WAVE_FAMILY:
                line = coding_history_line(self.rate, self.channels, self.subtype)
                self.metadata.add_to(self._pending, line)
        except OSError as fault:
            raise cannot_write(self.path, fault) from fault

    def _refuse_incomplete(self) -> None:
        """Look at the file: closing it writes too, and libsndfile does not say when that fails."""
        try:
            frames = soundfile.info(system_name(self._pending)).frames
        except soundfile.SoundFileError as fault:
            raise self._write_fault() from fault
        if frames != self.frames:
            raise self._write_fault()

    def _still_peak_time(self) -> None:
        """Zero the time stamp of a PEAK chunk: the same render twice is the same file."""
        peak = ChunkFile(self._pending).find(b"PEAK")
        if peak is not None:
            overwrite(self._pending, peak.start + 4, bytes(4))

    def _refuse_clipping(self) -> None:
        clipping = self.clipping
        if clipping is None or self.allow_clipping:
            return
        raise ClippingError(
            f"{self.path} would clip by up to {clipping.overshoot:.2f} dB, first at frame "
            f"{clipping.frame} ({clipping.frame / self.rate:.3f} s), samples: {clipping.count}; "
            f"a gain of {clipping.cure:.2f} dB at the end cures it"
        )

    def _extremes(self, block: NDArray[np.float64]) -> tuple[float, float]:
        """Least and greatest sample, none of them beyond what is read again."""
        least, most = float(block.min()), float(block.max())
        if least >= -GREATEST and most <= GREATEST:
            return least, most
        frame, channel = np.argwhere(~(np.abs(block) <= GREATEST))[0]
        raise OutputError(
            f"{self.path}: sample {block[frame, channel]:g} at frame {self.frames + int(frame)}, "
            f"channel {channel + 1}, is not within {20.0 * math.log10(GREATEST):+.0f} dBFS"
        )

    def _refuse_too_long(self, more: int) -> None:
        size = (self.frames + more) * self.channels * WIDTHS[self.subtype] + self.metadata.size
        if not fits(self.container, size):
            raise OutputError(f"{self.path} would pass 4 GiB, which {self.container} cannot")


def write(
    path: str | os.PathLike[str],
    x: ArrayLike,
    rate: int,
    *,
    subtype: str = "PCM_24",
    force: bool = False,
) -> None:
    """Write a whole array; the extension of `path` chooses the container.

    Parameters
    ----------
    path : str or path
    x : array_like, (frames,) or (frames, channels), full scale ±1
    rate : int, Hz
    subtype : str
    force : bool
        Replace a file that is there.

    Raises
    ------
    UsageError, OutputError, ClippingError
        As `AudioWriter`, and UsageError for an extension that names no container.
    """
    samples = np.ascontiguousarray(x, dtype=np.float64)
    samples = samples[:, None] if samples.ndim == 1 else samples
    with AudioWriter(
        path,
        rate=rate,
        channels=samples.shape[1],
        container=container_of(path),
        subtype=subtype,
        force=force,
    ) as writer:
        writer.write(samples)
