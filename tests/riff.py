"""RIFF, RF64 and BW64 files built byte by byte, to hold the audio package against."""

from __future__ import annotations

import struct

PCM_GUID = bytes.fromhex("0100000000001000800000aa00389b71")


def chunk(name: bytes, data: bytes) -> bytes:
    return name + struct.pack("<I", len(data)) + data + b"\0" * (len(data) % 2)


def fmt(rate: int, channels: int, bits: int, mask: int | None = None) -> bytes:
    align = channels * bits // 8
    tag = 1 if mask is None else 0xFFFE
    plain = struct.pack("<HHIIHH", tag, channels, rate, rate * align, align, bits)
    extension = b"" if mask is None else struct.pack("<HHI", 22, bits, mask) + PCM_GUID
    return chunk(b"fmt ", plain + extension)


def riff(*chunks: bytes) -> bytes:
    body = b"WAVE" + b"".join(chunks)
    return b"RIFF" + struct.pack("<I", len(body)) + body


def ds64(riff_size: int, data_size: int, frames: int, table: bytes = b"") -> bytes:
    """EBU Tech 3306: riffSize, dataSize, sampleCount, then a table of 12-byte entries."""
    counts = struct.pack("<QQQI", riff_size, data_size, frames, len(table) // 12)
    return chunk(b"ds64", counts + table)


def bext(
    time_reference: int = 0, *, version: int = 2, loudness: bytes = bytes(10), history: bytes = b""
) -> bytes:
    """EBU Tech 3285 v2, clause 2.3; every text field and the UMID hold something."""
    fields = [
        b"Invented take\0".ljust(256, b"d"),
        b"Studio".ljust(32, b"\0"),
        b"REF0001".ljust(32, b"\0"),
        b"2024-02-29" + b"23:59:58",
        struct.pack("<QH", time_reference, version),
        bytes(range(64)) if version else bytes(64),
        loudness,
        bytes(180),
        history,
    ]
    return b"".join(fields)


def chunks_of(data: bytes) -> dict[bytes, bytes]:
    """Chunks of a RIFF file, or of an RF64 file whose 64-bit sizes are small."""
    found, position = {}, 12
    while position < len(data):
        name, size = struct.unpack_from("<4sI", data, position)
        if size == 0xFFFFFFFF:
            size = struct.unpack_from("<Q", found[b"ds64"], 8)[0]
        found[name] = data[position + 8 : position + 8 + size]
        position += 8 + size + size % 2
    return found
