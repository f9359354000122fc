"""Containers and sample formats: which there are, and which an output gets."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import soundfile

from chainkit.errors import SampleFormatError, UsageError
from chainkit.units import nearest

if TYPE_CHECKING:
    from chainkit.audio.reader import AudioReader

BITS = {"PCM_U8": 8, "PCM_S8": 8, "PCM_16": 16, "PCM_24": 24, "PCM_32": 32}
FLOATS = {"FLOAT": 32, "DOUBLE": 64}
WIDTHS = {name: bits // 8 for name, bits in (BITS | FLOATS).items()}
GREATEST = 1e9  # of full scale, +180 dBFS: no signal lies beyond, and powers fit single precision

CONTAINERS = {
    ".wav": "WAV",
    ".wave": "WAV",
    ".bwf": "WAV",
    ".rf64": "RF64",
    ".w64": "W64",
    ".aif": "AIFF",
    ".aiff": "AIFF",
    ".aifc": "AIFF",
    ".caf": "CAF",
    ".flac": "FLAC",
}
WAVE_FAMILY = ("WAV", "WAVEX", "RF64")
_MOST_CHANNELS = {"FLAC": 8}
_SIZE_LIMITS = {"WAV": 1 << 32, "WAVEX": 1 << 32, "AIFF": 1 << 32}  # bytes
_ROOM_FOR_HEADERS = 1 << 20  # bytes


class OutputFormat(NamedTuple):
    """Container and sample format of an output, by the names that AudioWriter takes."""

    container: str
    subtype: str


def system_name(path: str | os.PathLike[str]) -> str | bytes:
    """Name of a file as libsndfile takes it: but for Windows the bytes, UTF-8 or not."""
    return os.fspath(path) if os.name == "nt" else os.fsencode(path)


def output_format(
    reader: AudioReader, path: str | os.PathLike[str], subtype: str | None = None
) -> OutputFormat:
    """Format of an output that follows its input.

    Parameters
    ----------
    reader : AudioReader
        The input.
    path : str or path
        The output; its extension chooses the container. ``.wav`` stays what the input is within
        the WAV family, and becomes RF64 when the file would pass 4 GiB.
    subtype : str, optional
        Sample format; the input's if left out.

    Returns
    -------
    OutputFormat

    Raises
    ------
    UsageError
        The extension is unknown, or the container has no such sample format, takes fewer
        channels, or cannot grow that long.
    """
    container = container_of(path)
    if container == "WAV" and reader.container in WAVE_FAMILY:
        container = reader.container
    wanted = _subtype_for(container, subtype or reader.subtype)
    size = reader.frames * reader.channels * WIDTHS[wanted] + reader.metadata.size
    if container in ("WAV", "WAVEX") and not fits(container, size):
        container = "RF64"
    if not fits(container, size):
        raise UsageError(f"{path} would pass 4 GiB, which {container} cannot; use .wav or .caf")
    check_channels(container, reader.channels)
    return OutputFormat(container, wanted)


def container_of(path: str | os.PathLike[str]) -> str:
    """Container that the extension of `path` stands for.

    Raises
    ------
    UsageError
        It has none, or one that names no container; the message names the nearest.
    """
    extension = Path(path).suffix.lower()
    if extension in CONTAINERS:
        return CONTAINERS[extension]
    given = f"{extension!r} names no format" if extension else "has no extension"
    hint = nearest(extension, CONTAINERS)
    raise UsageError(f"{path}: {given} that can be written ({', '.join(CONTAINERS)}){hint}")


def subtypes(container: str) -> list[str]:
    """Sample formats that `container` can be written with."""
    possible = [name for name in WIDTHS if soundfile.check_format(container, name)]
    # libsndfile counts the pad byte of an AIFF file in: one more frame of 8-bit mono.
    return [name for name in possible if container != "AIFF" or BITS.get(name) != 8]


def check_subtype(container: str, subtype: str) -> str:
    """`subtype` in its right spelling.

    Raises
    ------
    SampleFormatError
        `container` cannot be written with it; the message has those it can.
    UsageError
        There is no such container.
    """
    legal = subtypes(container)
    if not legal:
        known = ", ".join(sorted({*CONTAINERS.values(), *WAVE_FAMILY}))
        raise UsageError(f"there is no container {container!r} ({known})")
    if subtype.upper() in legal:
        return subtype.upper()
    told = f"{container} has no sample format {subtype!r} ({', '.join(legal)})"
    raise SampleFormatError(told + nearest(subtype, legal), container, subtype, legal)


def check_channels(container: str, channels: int) -> None:
    """Raise UsageError when `container` cannot hold so many channels."""
    most = _MOST_CHANNELS.get(container, channels)
    if channels > most:
        raise UsageError(f"{container} holds at most {most} channels, not {channels}")


def fits(container: str, size: int) -> bool:
    """Whether `container` can hold `size` bytes of samples and other data."""
    return size + _ROOM_FOR_HEADERS < _SIZE_LIMITS.get(container, size + _ROOM_FOR_HEADERS + 1)


def _subtype_for(container: str, subtype: str) -> str:
    """The same where there is one; 8-bit samples may change their sign, or else gain bits."""
    legal = subtypes(container)
    if BITS.get(subtype) == 8 and subtype not in legal:
        return next(name for name in ("PCM_S8", "PCM_U8", "PCM_16") if name in legal)
    return check_subtype(container, subtype)
