"""Chunks of a sound file: where they are, how long they are, how to add to them.

WAV, RF64 and BW64, W64, AIFF and CAF are all a header and then chunks, each an identifier, a size
and data; what differs is the width of those fields. This module reads that skeleton and never the
samples.

References
----------
EBU Tech 3306, *MBWF / RF64* (2009); Rec. ITU-R BS.2088-1 (2019), *BW64*: the ``ds64`` chunk.
"""

from __future__ import annotations

import os
import struct
from collections.abc import Iterable, Iterator
from itertools import islice
from pathlib import Path
from typing import BinaryIO, NamedTuple

UNKNOWN_32 = 0xFFFFFFFF
UNKNOWN_64 = ((1 << 63) - 1, (1 << 64) - 1)
"""Sizes of 32 and 64 bits that stand where the true one was never written."""
_MOST_CHUNKS = 4096  # that are looked at in one file


class Chunk(NamedTuple):
    """One chunk: its identifier, and where its data lie in the file, in bytes."""

    name: bytes
    start: int
    size: int


class _Layout(NamedTuple):
    """How a family of containers writes its chunks; sizes in bytes."""

    header: int  # bytes ahead of the first chunk
    fields: str  # struct format of a chunk's identifier and size
    counts_itself: bool  # the size counts identifier and size too
    align: int
    data: bytes  # name of the chunk that holds the samples
    preamble: int  # bytes in that chunk ahead of the first sample


_RIFF = _Layout(12, "<4sI", False, 2, b"data", 0)
_LAYOUTS = {
    b"RIFF": _RIFF,
    b"RF64": _RIFF,
    b"BW64": _RIFF,
    b"RIFX": _Layout(12, ">4sI", False, 2, b"data", 0),
    b"riff": _Layout(40, "<16sQ", True, 8, b"data", 0),
    b"FORM": _Layout(12, ">4sI", False, 2, b"SSND", 8),
    b"caff": _Layout(8, ">4sQ", False, 1, b"data", 4),
}
WAVE_MAGICS = (b"RIFF", b"RF64", b"BW64")
SOUNDS = (*_LAYOUTS, b"fLaC", b"OggS", b"ID3", b".snd")
"""How sound files begin, with chunks or without; those without from memory."""


class ChunkFile:
    """The chunks of a sound file.

    Parameters
    ----------
    path : str or Path

    Attributes
    ----------
    magic : bytes
        First four bytes of the file.
    chunks : list of Chunk
        In file order; empty for a file that has no chunks.
    """

    def __init__(self, path: str | Path) -> None:
        with open(path, "rb") as file:
            self.length = file.seek(0, os.SEEK_END)
            file.seek(0)
            self.magic = file.read(4)
            self._layout = _LAYOUTS.get(self.magic)
            self.chunks = list(islice(self._walk(file), _MOST_CHUNKS))

    def data_bytes(self) -> tuple[int, int] | None:
        """Bytes of samples that the header promises, and those that the file holds.

        None when the file has no chunk of samples, or its size says "until the end".
        """
        layout = self._layout
        data = self.find(layout.data) if layout else None
        if layout is None or data is None or self._says_nothing(data.size):
            return None
        start = data.start + layout.preamble
        return data.size - layout.preamble, max(0, self.length - start)

    def find(self, name: bytes) -> Chunk | None:
        """First chunk called `name`."""
        return next((chunk for chunk in self.chunks if chunk.name == name), None)

    def _says_nothing(self, size: int) -> bool:
        """Whether samples of this size go on until the end: recorders to a pipe write such.

        It is the greatest number there is, with a sign or without; less where it counts itself.
        """
        if self.magic == b"RIFF":
            return size >= UNKNOWN_32
        itself = struct.calcsize(self._layout.fields) if self._layout else 0
        return any(0 <= greatest - size <= itself for greatest in UNKNOWN_64)

    def _walk(self, file: BinaryIO) -> Iterator[Chunk]:
        if self._layout is None:
            return
        layout, position, long_sizes = self._layout, self._layout.header, _LongSizes()
        fields = struct.Struct(layout.fields)
        while position + fields.size <= self.length:
            name, size = fields.unpack(read_at(file, position, fields.size))
            start = position + fields.size
            size = max(0, size - fields.size) if layout.counts_itself else size
            if name == b"ds64":
                long_sizes.read(read_at(file, start, min(size, 1 << 20)))
            size = long_sizes.of(name, size)
            yield Chunk(name[:4], start, size)
            position = self._next(file, start + size)

    def _next(self, file: BinaryIO, end: int) -> int:
        """Where the next chunk starts. Writers that forget the pad byte are forgiven: it is 0."""
        align = self._layout.align if self._layout else 1
        if align == 2 and end % 2 and end < self.length and read_at(file, end, 1) != b"\0":
            return end
        return end + -end % align


class _LongSizes:
    """The 64-bit sizes of a ``ds64`` chunk: data size, then a table for other chunks."""

    def __init__(self) -> None:
        self._sizes: dict[bytes, int] = {}

    def read(self, ds64: bytes) -> None:
        if len(ds64) < 28:
            return
        _, self._sizes[b"data"], _, entries = struct.unpack_from("<QQQI", ds64)
        for name, size in islice(struct.iter_unpack("<4sQ", _whole(ds64[28:], 12)), entries):
            self._sizes.setdefault(name, size)

    def of(self, name: bytes, size: int) -> int:
        """Size of a chunk whose 32-bit size is `size`; one that is written out is believed."""
        return self._sizes.get(name, size) if size == UNKNOWN_32 else size


def _whole(data: bytes, step: int) -> bytes:
    return data[: len(data) // step * step]


def read_at(file: BinaryIO, position: int, count: int) -> bytes:
    """Up to `count` bytes of a file from `position` on."""
    file.seek(position)
    return file.read(count)


def append_chunks(path: str | Path, chunks: Iterable[tuple[bytes, bytes]]) -> None:
    """Add chunks at the end of a RIFF or RF64 file and set the file's size in its header.

    Parameters
    ----------
    path : str or Path
        A complete file whose last chunk is whole.
    chunks : iterable of (bytes, bytes)
        Identifier of four bytes, and data. Data of odd length get a pad byte that the chunk's
        size does not count.

    Raises
    ------
    ValueError
        The file is neither RIFF nor RF64, or a RIFF file would pass 4 GiB.
    """
    with open(path, "r+b") as file:
        magic = file.read(4)
        if magic not in WAVE_MAGICS:
            raise ValueError(f"{path} is not a RIFF or RF64 file")
        file.write(b"\0" * (file.seek(0, os.SEEK_END) % 2))
        for name, data in chunks:
            file.write(struct.pack("<4sI", name, len(data)) + data + b"\0" * (len(data) % 2))
        _set_riff_size(file, magic, file.tell() - 8)


def set_length(path: str | Path, frames: int) -> None:
    """Tell the header of a RIFF file that its samples reach to the end of the file.

    Parameters
    ----------
    path : str or Path
        A file whose last chunk is that of the samples. Of the size of the whole, see
        `append_chunks`.
    frames : int
        For the ``fact`` chunk of an extensible format.
    """
    file = ChunkFile(path)
    data, fact = file.find(b"data"), file.find(b"fact")
    if data is not None:
        overwrite(path, data.start - 4, struct.pack("<I", file.length - data.start))
    if fact is not None:
        overwrite(path, fact.start, struct.pack("<I", frames))


def _set_riff_size(file: BinaryIO, magic: bytes, size: int) -> None:
    if magic == b"RIFF" and size >= UNKNOWN_32:
        raise ValueError("a RIFF file cannot pass 4 GiB")
    file.seek(4 if magic == b"RIFF" else 20)
    file.write(struct.pack("<I" if magic == b"RIFF" else "<Q", size))


def overwrite(path: str | Path, position: int, data: bytes) -> None:
    """Replace bytes of a file in place."""
    with open(path, "r+b") as file:
        file.seek(position)
        file.write(data)
