"""Renders a record again and says whether the audio is identical."""

from __future__ import annotations

import os
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from chainkit.audio.reader import AudioReader, Progress
from chainkit.audio.writer import AudioWriter
from chainkit.dsp.levels import to_db
from chainkit.pipeline import Behind, ahead
from chainkit.record import Recorded, read_recorded, versions
from chainkit.units import FREQUENCY


@dataclass(frozen=True)
class Verdict:
    """Whether a render can be repeated.

    Parameters
    ----------
    identical : bool
        The voice is the recorded one and the output has the same samples again.
    reasons : tuple of str
        What differs.
    first_frame : int or None
        First frame of the output that differs; the length of the shorter one where only the lengths
        do.
    greatest_difference_dbfs : float or None, dBFS
        As far as both go; None where there is none there, or where the channels differ.
    """

    identical: bool
    reasons: tuple[str, ...]
    first_frame: int | None = None
    greatest_difference_dbfs: float | None = None


def verify_record(
    record_path: str | Path,
    *,
    voice: str | Path | None = None,
    progress: Progress | None = None,
) -> Verdict:
    """Render the voice of a record again and compare it with the output that is there.

    Parameters
    ----------
    record_path : str or Path
    voice : str or Path, optional
        Where the voice lies now, if it has moved.
    progress : callable, optional
        Called with the number of frames rendered since the last call.

    Returns
    -------
    Verdict

    Raises
    ------
    UsageError
        The record cannot be read.
    AudioFileError
        The voice or the output cannot be read.
    OutputError
        There is no room for the second render among the system's temporary files.
    """
    recorded = read_recorded(record_path)
    source, output = AudioReader(voice or recorded.voice), AudioReader(recorded.output)
    reasons = _changed_files(recorded, source, output)
    with tempfile.TemporaryDirectory(prefix="chainkit-") as temporary:
        again = Path(temporary) / f"again{output.path.suffix}"
        _render_again(recorded, source, again, progress)
        repeated = AudioReader(again)
        differing = _other_form(output, repeated)
        first, greatest = _difference(output, repeated)
    if first is not None:
        differing.append(f"the audio differs from frame {first} on")
    if differing:
        reasons += differing + _changed_versions(recorded)
    return Verdict(not reasons, tuple(reasons), first, greatest)


def _changed_files(recorded: Recorded, voice: AudioReader, output: AudioReader) -> list[str]:
    pairs = (("voice", voice, recorded.voice_sha256), ("output", output, recorded.output_sha256))
    return [
        f"the {name} {os.path.relpath(reader.path)} is not the file that was recorded"
        for name, reader, sha256 in pairs
        if reader.sha256() != sha256
    ]


def _changed_versions(recorded: Recorded) -> list[str]:
    now, then = versions(), recorded.versions
    changes = [f"{k} {then[k]} → {now[k]}" for k in now if k in then and then[k] != now[k]]
    return [f"other versions than recorded: {', '.join(changes)}"] if changes else []


def _render_again(
    recorded: Recorded, voice: AudioReader, again: Path, progress: Progress | None
) -> None:
    stream = recorded.prepared.stream(voice.rate, voice.channels)
    writer = AudioWriter(
        again,
        rate=voice.rate,
        channels=voice.channels,
        container=recorded.container,
        subtype=recorded.subtype,
        seed=recorded.seed,
        allow_clipping=True,
    )
    with writer, Behind(writer.write) as writing:
        for _, passage in stream.passages(ahead(voice.blocks(progress=progress))):
            writing.put(passage.audio)


def _other_form(output: AudioReader, again: AudioReader) -> list[str]:
    """In what the form of the output is not that which it has when it is rendered again."""
    return [
        f"the output has {there}, rendered again it has {now}"
        for there, now in zip(_form(output), _form(again), strict=True)
        if there != now
    ]


def _form(reader: AudioReader) -> tuple[str, ...]:
    counts = ((reader.channels, "channel"), (reader.frames, "frame"))
    counted = (f"{count} {noun}{'' if count == 1 else 's'}" for count, noun in counts)
    return (f"a sample rate of {FREQUENCY.format(reader.rate)}", *counted)


def _difference(one: AudioReader, other: AudioReader) -> tuple[int | None, float | None]:
    """First frame that differs, and the greatest difference in dBFS; None where there is none."""
    if one.channels != other.channels:
        return None, None
    first, greatest, start = None, 0.0, 0
    for a, b in zip(one.blocks(), other.blocks(), strict=False):
        count = min(len(a), len(b))
        difference = np.abs(a[:count] - b[:count])
        if difference.any():
            greatest = max(greatest, float(difference.max()))
            first = start + int(np.argmax(difference.any(axis=1))) if first is None else first
        start += count
    if first is None and one.frames != other.frames:
        first = start
    return first, float(to_db(greatest)) if greatest else None
