"""Measures sound files: loudness, peaks, levels, spectrum and sibilants."""

from __future__ import annotations

import csv
import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import astuple, fields
from pathlib import Path

from chainkit.audio.atomic import atomic_file
from chainkit.audio.reader import AudioReader, Progress
from chainkit.dsp.meter import Measurement, VoiceMeter
from chainkit.dsp.sibilance import Sibilant

TIMELINE = ("seconds", "momentary_lufs", "short_term_lufs")
_TIMES = {"start": "start_seconds", "end": "end_seconds"}
SIBILANTS = tuple(_TIMES.get(field.name, field.name) for field in fields(Sibilant))

_STEP = 0.1  # seconds between two values over time
_MOMENTARY, _SHORT_TERM = 4, 30  # steps that a window spans
_PLACES = dict.fromkeys(_TIMES.values(), 4) | {"peak_hz": 0, "centre_hz": 0}  # 2 for the others


def measure_file(path: str | Path, progress: Progress | None = None) -> Measurement:
    """Measure a sound file in one pass, with constant memory.

    Parameters
    ----------
    path : str or Path
    progress : callable, optional
        Called with the number of frames measured since the last call.

    Returns
    -------
    Measurement

    Raises
    ------
    AudioFileError
        The file is missing, no sound file, damaged, or holds a sample that is no signal.
    """
    reader = AudioReader(path)
    meter = VoiceMeter(reader.rate, reader.channels)
    for block in reader.blocks(progress=progress):
        meter.add(block)
    return meter.finish()


def write_timeline(
    path: str | Path, measurements: Mapping[str, Measurement], force: bool = False
) -> None:
    """Write momentary and short-term loudness every 100 ms as CSV.

    The columns are `TIMELINE`, behind `file` when there are several files; `seconds` is the end
    of both windows. A cell is empty before the first window is full, and for silence.

    Raises
    ------
    OutputError
        The file is there already, or cannot be written.
    """
    rows = ((name, timeline(measured)) for name, measured in measurements.items())
    _write(path, TIMELINE, rows, len(measurements) > 1, force)


def write_sibilants(
    path: str | Path, measurements: Mapping[str, Measurement], force: bool = False
) -> None:
    """Write the sibilants as CSV.

    The columns are `SIBILANTS`, behind `file` when there are several files.

    Raises
    ------
    OutputError
        The file is there already, or cannot be written.
    """
    rows = ((name, map(_cells, measured.sibilants)) for name, measured in measurements.items())
    _write(path, SIBILANTS, rows, len(measurements) > 1, force)


def timeline(measurement: Measurement) -> Iterator[tuple[str, str, str]]:
    """Cells of `TIMELINE`, one row each 100 ms."""
    momentary, short_term = measurement.momentary_lufs, measurement.short_term_lufs
    for row, value in enumerate(momentary, _MOMENTARY):
        slow = short_term[row - _SHORT_TERM] if row >= _SHORT_TERM else -math.inf
        yield f"{row * _STEP:.1f}", _loudness(value), _loudness(slow)


def _loudness(value: float) -> str:
    return f"{value:.2f}" if math.isfinite(value) else ""


def _cells(sibilant: Sibilant) -> list[str]:
    values = zip(SIBILANTS, astuple(sibilant), strict=True)
    return [f"{value:.{_PLACES.get(name, 2)}f}" for name, value in values]


def _write(
    path: str | Path,
    columns: Sequence[str],
    files: Iterable[tuple[str, Iterable[Sequence[str]]]],
    several: bool,
    force: bool,
) -> None:
    with atomic_file(path, force=force) as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(["file", *columns] if several else columns)
        for name, rows in files:
            writer.writerows([name, *row] if several else row for row in rows)
