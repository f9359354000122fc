"""Broadcast and text chunks of WAV files, carried from input to output as they stand.

The samples' place in time is what a project needs back: the ``bext`` chunk keeps its
TimeReference, cue points and their labels keep their frames, since the output has the frames,
rate and channels of the input. Loudness fields speak of the input, so they are set to the output's
or to unused; its UMID names the input's material (SMPTE ST 330) and is taken out; one line of
coding history is added.

A chunk that is not known may tell of the samples themselves, as a peak envelope or a checksum does,
and would then be wrong. It is left behind, and named.

References
----------
EBU Tech 3285, *Specification of the Broadcast Wave Format*, version 2 (2011); EBU R 98, *Format
for the <CodingHistory> field* (1999); EBU Tech 3306 (RF64); AES46-2002 (``cart``); Rec. ITU-R
BS.2088-1 (``axml``, ``chna``); *Multimedia Programming Interface and Data Specifications 1.0*
(1991) (``cue ``, ``LIST``).
"""

from __future__ import annotations

import math
import struct
from collections.abc import Collection, Container, Iterable
from dataclasses import astuple, dataclass, replace
from pathlib import Path
from typing import BinaryIO

from chainkit.audio.chunks import WAVE_MAGICS, Chunk, ChunkFile, append_chunks, overwrite, read_at
from chainkit.audio.formats import BITS, FLOATS
from chainkit.errors import AudioFileError

CARRIED = (
    *(b"bext", b"iXML", b"axml", b"chna", b"cart", b"cue ", b"plst", b"smpl", b"inst", b"LIST"),
    *(b"_PMX", b"id3 "),
)
_CARRIED_LISTS = (b"INFO", b"adtl")
_MADE_ANEW = (
    *(b"fmt ", b"fact", b"data", b"ds64", b"PEAK", b"JUNK", b"junk", b"PAD ", b"FLLR"),  # WAV, W64
    *(b"COMM", b"FVER", b"SSND"),  # AIFF
    *(b"desc", b"kuki", b"pakt", b"peak", b"free"),  # CAF
)
"""Chunks of the sample format, which the writer makes for the output, and empty ones."""
_LARGEST = 64 << 20  # bytes of a chunk that is carried

# EBU Tech 3285 v2, 2.3: offsets in the data of the bext chunk.
_VERSION = 346
_UMID = slice(348, 412)  # from version 1 on
_LOUDNESS = 412
_CODING_HISTORY = 602
_UNUSED = 0x7FFF  # from memory


@dataclass(frozen=True)
class BroadcastLoudness:
    """Loudness of a programme, for the ``bext`` chunk; None where it does not exist.

    Parameters
    ----------
    integrated : float, LUFS
    range : float, LU
    true_peak : float, dBTP
    momentary_max, short_term_max : float, LUFS
    """

    integrated: float | None = None
    range: float | None = None
    true_peak: float | None = None
    momentary_max: float | None = None
    short_term_max: float | None = None

    def packed(self) -> bytes:
        """The five fields as EBU Tech 3285 v2 stores them: int16, hundredths."""
        return struct.pack("<5h", *map(_hundredths, astuple(self)))


@dataclass(frozen=True)
class Metadata:
    """What is carried from a WAV file to the next.

    Parameters
    ----------
    chunks : tuple of (bytes, bytes)
        Identifier and data of each chunk, in file order.
    channel_mask : int, optional
        Loudspeaker positions of the channels, where the file tells them.
    loudness : BroadcastLoudness, optional
        Loudness to write into the ``bext`` chunk.
    unknown : tuple of str
        Identifiers of the chunks that stay behind, each once; tags as ``tags (title, artist)``.
    """

    chunks: tuple[tuple[bytes, bytes], ...] = ()
    channel_mask: int | None = None
    loudness: BroadcastLoudness | None = None
    unknown: tuple[str, ...] = ()

    @property
    def size(self) -> int:
        """Bytes that the chunks take in a file, near enough."""
        return sum(len(data) + 10 for _, data in self.chunks)

    @property
    def names(self) -> tuple[str, ...]:
        """Identifiers of the chunks."""
        return tuple(_label(name) for name, _ in self.chunks)

    @property
    def tells_loudness(self) -> bool:
        """Whether a chunk is there that tells the loudness."""
        return any(name == b"bext" for name, _ in self.chunks)

    def with_loudness(self, loudness: BroadcastLoudness) -> Metadata:
        """The same, with the loudness of the output."""
        return replace(self, loudness=loudness)

    def add_to(self, path: str | Path, line: bytes) -> None:
        """Write the chunks into a complete RIFF or RF64 file, `line` into its coding history."""
        place = _channel_mask_place(ChunkFile(path))
        if self.channel_mask is not None and place is not None:
            overwrite(path, place, struct.pack("<I", self.channel_mask))
        append_chunks(path, [(name, self._revised(name, data, line)) for name, data in self.chunks])

    def _revised(self, name: bytes, data: bytes, line: bytes) -> bytes:
        return revised_bext(data, line, self.loudness) if name == b"bext" else data


def read_metadata(file: ChunkFile, path: str | Path, tags: Collection[str] = ()) -> Metadata:
    """Chunks of a WAV, RF64 or BW64 file that are to be carried; of other files none are.

    Parameters
    ----------
    file : ChunkFile
    path : str or path
    tags : collection of str
        Names of the tags of a file without chunks, such as FLAC.

    Raises
    ------
    AudioFileError
        A chunk is above 64 MiB.
    """
    if file.magic not in WAVE_MAGICS:
        tagged = (f"tags ({', '.join(tags)})",) if tags else ()
        return Metadata(unknown=(*_unknown(file.chunks, ()), *tagged))
    whole = [chunk for chunk in file.chunks if chunk.start + chunk.size <= file.length]
    carried = [chunk for chunk in whole if chunk.name in CARRIED]
    place = _channel_mask_place(file)
    with open(path, "rb") as stream:
        found = [(chunk, _data(stream, chunk, path)) for chunk in carried]
        mask = None if place is None else int.from_bytes(read_at(stream, place, 4), "little")
    kept = {chunk: data for chunk, data in found if _is_kept(chunk.name, data)}
    pairs = tuple((chunk.name, data) for chunk, data in kept.items())
    return Metadata(pairs, mask, unknown=_unknown(file.chunks, kept))


def revised_bext(data: bytes, line: bytes, loudness: BroadcastLoudness | None = None) -> bytes:
    """A ``bext`` chunk for the output: no UMID, loudness renewed, one line of history added.

    Parameters
    ----------
    data : bytes
        The input's chunk. One that is shorter than its fixed fields comes back as it is.
    line : bytes
        Line of coding history, with its line end.
    loudness : BroadcastLoudness, optional
        Of the output; makes the chunk version 2. Without it the fields of a version 2 chunk are
        set to unused, and those of versions 0 and 1, which have none, stay.
    """
    if len(data) < _CODING_HISTORY:
        return data
    fixed = bytearray(data[:_CODING_HISTORY])
    (version,) = struct.unpack_from("<H", fixed, _VERSION)
    if loudness is not None:
        version = max(2, version)
        struct.pack_into("<H", fixed, _VERSION, version)
    if version >= 1:
        fixed[_UMID] = bytes(64)  # zeros stand for none; from memory
    if loudness is not None or version >= 2:
        fields = (loudness or BroadcastLoudness()).packed()
        fixed[_LOUDNESS : _LOUDNESS + len(fields)] = fields
    # Readers stop at the first NUL, so a line after padding would never be seen.
    history = data[_CODING_HISTORY:].rstrip(b"\0")
    if history and not history.endswith(b"\n"):
        history += b"\r\n"
    return bytes(fixed) + history + line


def coding_history_line(rate: int, channels: int, subtype: str) -> bytes:
    """Line of coding history in the form of EBU R 98: algorithm, rate, word length, mode, text."""
    mode = {1: "M=mono,", 2: "M=stereo,"}.get(channels, "")
    notes = [f"{channels} channels"] * (channels > 2) + ["floating point"] * (subtype in FLOATS)
    text = "; ".join(["chainkit", *notes])
    return f"A=PCM,F={rate},W={(BITS | FLOATS)[subtype]},{mode}T={text}\r\n".encode("ascii")


def _channel_mask_place(file: ChunkFile) -> int | None:
    """Where a WAVE_FORMAT_EXTENSIBLE file keeps its channel mask, in bytes."""
    fmt = file.find(b"fmt ")
    return fmt.start + 20 if fmt is not None and fmt.size >= 40 else None


def _data(stream: BinaryIO, chunk: Chunk, path: str | Path) -> bytes:
    if chunk.size > _LARGEST:
        name = chunk.name.decode("latin-1")
        raise AudioFileError(f"{path}: {name!r} chunk of {chunk.size} bytes is too long to carry")
    return read_at(stream, chunk.start, chunk.size)


def _is_kept(name: bytes, data: bytes) -> bool:
    return name != b"LIST" or data[:4] in _CARRIED_LISTS


def _unknown(chunks: Iterable[Chunk], kept: Container[Chunk]) -> tuple[str, ...]:
    """Labels of the chunks that are neither kept nor made anew."""
    left = (c.name for c in chunks if c not in kept and c.name not in _MADE_ANEW)
    return tuple(dict.fromkeys(map(_label, left)))


def _label(name: bytes) -> str:
    """The identifier as text that is safe to print."""
    text = name.decode("latin-1").strip()
    return "".join(letter if letter.isprintable() else "?" for letter in text)


def _hundredths(value: float | None) -> int:
    if value is None or not math.isfinite(value) or abs(value) >= _UNUSED / 100:
        return _UNUSED
    return round(100 * value)
