"""Audible evidence: the loudest phrase as it is, pushed up and changed; and a glide over it.

A table in the folder lists the files, so that a later run knows which ones are an earlier run's.

Each is turned down where its true peak would pass −1 dBTP, however far a place is pushed up.
"""

from __future__ import annotations

import csv
import math
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from chainkit.audio.atomic import atomic_file, cannot_write, refuse_same
from chainkit.audio.reader import AudioReader
from chainkit.audio.writer import write
from chainkit.dsp import filters
from chainkit.dsp.cascade import Cascade
from chainkit.dsp.glide import glide_bell, glide_frequencies
from chainkit.dsp.levels import to_gain
from chainkit.dsp.loudness import LoudnessMeter
from chainkit.dsp.truepeak import TruePeakMeter
from chainkit.errors import ExistsError, OutputError
from chainkit.scout.analyse import Scouting
from chainkit.scout.findings import Finding

Audio = NDArray[np.float64]

PEAK = -1.0  # dBTP
UNDER_READ = 0.2  # dB by which the meter may be short near half the sample rate: 0.17, rounded up
PHRASE = 4.0  # seconds
WINDOW = 3.0  # seconds, of short-term loudness
PUSH = 9.0  # dB, of the pushed-up part
FADE, PAUSE = 0.05, 0.4  # seconds
LEAST = 0.02  # seconds; less cannot be heard
MOST = 12  # findings with a file of their own
ROWS = 0.01  # seconds between two rows of the glide's table
INDEX = "sweeps.csv"
GLIDE, GLIDE_TABLE = "glide.wav", "glide.csv"
PARTS = ("as it is", "pushed up", "changed")
COLUMNS = (
    *("file", "part", "start_seconds", "end_seconds"),
    *("finding", "shape", "frequency_hz", "q", "gain_db"),
)
NAMES = re.compile(r"\d\d-[a-z]+-\d+Hz\.wav|glide\.wav|glide\.csv|sweeps\.csv")

# NIOSH, Criteria for a Recommended Standard: Occupational Noise Exposure (1998), from memory.
SAFE, SAFE_MINUTES, HALVED_BY = 85.0, 480.0, 3.0  # dBA; a working day; dB

CAUTION = (
    "Turn the monitors down before you listen: a narrow boost can raise the level by as much as it "
    "boosts. At work NIOSH recommends at most {safe:g} dBA over 8 hours, and half the time for "
    "each {step:g} dB more: {level:g} dBA, {boost:g} dB higher, is enough for {time}. Narrow "
    "boosts strain tweeters too. Where local rules ask for more care, they come first."
)


@dataclass(frozen=True)
class Glide:
    """What a glide is to be like.

    Parameters
    ----------
    low, high : float, Hz
        Where it starts and ends.
    boost : float, dB
    seconds : float
    q : float
    """

    low: float
    high: float
    boost: float = 12.0
    seconds: float = 20.0
    q: float = 8.0


def write_sweeps(
    scouting: Scouting, folder: Path, glide: Glide | None = None, force: bool = False
) -> list[Path]:
    """Write a file for each finding that a filter stands for, at most 12, and the glide.

    Parameters
    ----------
    scouting : Scouting
    folder : Path
        Must be there.
    glide : Glide, optional
        Writes glide.wav and glide.csv with the columns seconds, frequency_hz.
    force : bool
        Replace files that are there.

    Returns
    -------
    list of Path
        The first is sweeps.csv, with the columns `COLUMNS`: a row for each part of each file, with
        its place in the file and the filter that is heard in it. Empty where there is nothing to
        be heard.

    Raises
    ------
    OutputError
        A file is there already, or cannot be written.
    """
    phrase = loudest_phrase(scouting)
    shown = {sweep_name(number, one): one for number, one in enumerate(audible(scouting)[:MOST], 1)}
    if len(phrase) < LEAST * scouting.rate or not (shown or glide):
        return []
    rows = [*_part_rows(shown, len(phrase) / scouting.rate), *_glide_rows(glide)]
    written = [_write_index(rows, folder, force)]
    for name, finding in shown.items():
        path = folder / name
        write(path, evidence(phrase, scouting.rate, finding), scouting.rate, force=force)
        written.append(path)
    if glide is not None:
        written += _write_glide(phrase, scouting.rate, glide, folder, force)
    return written


def caution(glide: Glide | None) -> str:
    """What to heed before listening, for the greatest boost that is heard."""
    boost = PUSH if glide is None else max(PUSH, glide.boost)
    minutes = SAFE_MINUTES * 2.0 ** (-boost / HALVED_BY)
    # Rounded down, as the time that is safe should be.
    shown = math.floor(minutes) if minutes >= 10.0 else math.floor(10.0 * minutes) / 10.0
    return CAUTION.format(
        safe=SAFE, step=HALVED_BY, level=SAFE + boost, boost=boost, time=f"{shown:g} minutes"
    )


def audible(scouting: Scouting) -> list[Finding]:
    """The findings that a filter stands for, so that they can be heard with it and without."""
    return [found for found in scouting.findings if found.gain_db is not None and found.q]


def sweep_name(number: int, finding: Finding) -> str:
    """Name of a finding's file."""
    return f"{number:02}-{finding.kind}-{finding.frequency_hz:.0f}Hz.wav"


def _write_index(rows: Iterable[Sequence[str | float]], folder: Path, force: bool) -> Path:
    path = folder / INDEX
    with atomic_file(path, force) as file:
        table = csv.writer(file, lineterminator="\n")
        table.writerow(COLUMNS)
        for row in rows:
            table.writerow(f"{cell:.2f}" if isinstance(cell, float) else cell for cell in row)
    return path


def _part_rows(shown: dict[str, Finding], seconds: float) -> Iterator[Sequence[str | float]]:
    for name, one in shown.items():
        filtered = (one.kind, one.shape or "", one.frequency_hz, one.q or 0.0)
        for number, (part, gain) in enumerate(zip(PARTS, _gains(one), strict=True)):
            start = number * (seconds + PAUSE)
            yield name, part, start, start + seconds, *filtered, gain


def _glide_rows(glide: Glide | None) -> Iterator[Sequence[str | float]]:
    """The frequency is in a table of its own."""
    if glide is not None:
        heard = ("glide", 0.0, glide.seconds, "glide", "bell", "", glide.q, glide.boost)
        yield GLIDE, *heard


def refuse_sweeps(folder: Path, inputs: Iterable[str], force: bool) -> None:
    """Raise unless sweeps can go into a folder, whether it is there or not.

    Raises
    ------
    OutputError
        It is a file, has no place, or holds sweeps that may not be replaced: without `force` any,
        with it one that is an input.
    """
    if not folder.parent.is_dir():
        raise cannot_write(folder, FileNotFoundError())
    if folder.exists() and not folder.is_dir():
        raise OutputError(f"{folder} is a file; name a folder")
    there = _named_like_sweeps(folder)
    for path in there:
        for source in inputs:
            refuse_same(source, path)
    if there and not force:
        raise ExistsError(f"{folder} holds sweeps already")


def earlier_sweeps(folder: Path) -> set[str]:
    """Names that the table of an earlier run lists, and of the glide's own, of files there."""
    try:
        with open(folder / INDEX, encoding="utf-8", newline="") as file:
            listed = {row.get("file") for row in csv.DictReader(file)}
        listed |= {GLIDE_TABLE} if GLIDE in listed else set()
    except (OSError, UnicodeDecodeError, csv.Error):
        return set()
    return {
        path.name for path in _named_like_sweeps(folder) if path.name in listed and path.is_file()
    }


def remove_sweeps(folder: Path, names: Iterable[str]) -> None:
    """Remove an earlier run's files.

    Raises
    ------
    OutputError
        One cannot be removed.
    """
    for name in names:
        try:
            (folder / name).unlink(missing_ok=True)
        except OSError as fault:
            raise OutputError(f"{folder / name} cannot be removed: {fault.strerror}") from fault


def _named_like_sweeps(folder: Path) -> list[Path]:
    if not folder.is_dir():
        return []
    try:
        return sorted(path for path in folder.iterdir() if NAMES.fullmatch(path.name))
    except OSError as fault:
        raise cannot_write(folder, fault) from fault


def loudest_phrase(scouting: Scouting) -> Audio:
    """Some seconds of the source about its loudest short-term window, (frames, channels)."""
    reader = AudioReader(scouting.path)
    loudness = scouting.heard.measurement.short_term_lufs
    middle = (0.1 * int(loudness.argmax()) + WINDOW / 2.0) if len(loudness) else 0.0
    first = max(0, round((middle - PHRASE / 2.0) * reader.rate))
    last = min(reader.frames, first + round(PHRASE * reader.rate))
    return np.concatenate(list(_cut_out(reader, first, last)))


def _cut_out(reader: AudioReader, first: int, last: int) -> Iterator[Audio]:
    place = 0
    for block in reader.blocks():
        if place >= last:
            return
        yield block[max(0, first - place) : last - place]
        place += len(block)


def evidence(phrase: Audio, rate: int, finding: Finding) -> Audio:
    """The phrase as it is, with the place pushed up, and with the proposed gain; equally loud.

    Parts stand a pause apart, faded at both ends.

    Parameters
    ----------
    phrase : ndarray, (frames, channels)
    rate : int, Hz
    finding : Finding
    """
    gains = _gains(finding)[1:]
    cascades = [Cascade(_filter(finding, rate, gain), phrase.shape[1]) for gain in gains]
    parts = [phrase, *(cascade.process(phrase) for cascade in cascades)]
    wanted = _loudness(phrase, rate)
    matched = [part * _gain(wanted, _loudness(part, rate)) for part in parts]
    pause = np.zeros((round(PAUSE * rate), phrase.shape[1]))
    pieces = [piece for part in matched for piece in (faded(part, rate), pause)]
    return limited(np.concatenate(pieces[:-1]))


def _gains(finding: Finding) -> tuple[float, float, float]:
    """Gain in dB of the filter in each of `PARTS`."""
    return 0.0, PUSH, finding.gain_db or 0.0


def _filter(finding: Finding, rate: int, gain: float) -> Audio:
    """A bell on the place of a finding; a shelf for the air."""
    made = filters.high_shelf if finding.shape == "high_shelf" else filters.bell
    return made(rate, finding.frequency_hz, gain, finding.q or 1.0)


def glided(phrase: Audio, rate: int, glide: Glide) -> tuple[Audio, Audio]:
    """The phrase in a loop under a gliding bell, and the frequency in Hz at each frame."""
    frames = round(glide.seconds * rate)
    loop = faded(phrase, rate)
    x = np.tile(loop, (-(-frames // len(loop)), 1))[:frames]
    frequencies = glide_frequencies(frames, glide.low, glide.high)
    swept = glide_bell(np.ascontiguousarray(x), rate, frequencies, glide.boost, glide.q)
    return limited(faded(swept, rate)), frequencies


def _write_glide(
    phrase: Audio, rate: int, glide: Glide, folder: Path, force: bool
) -> tuple[Path, Path]:
    audio, frequencies = glided(phrase, rate, glide)
    sound, table = folder / GLIDE, folder / GLIDE_TABLE
    write(sound, audio, rate, force=force)
    with atomic_file(table, force) as file:
        file.write("seconds,frequency_hz\n")
        for row in range(int(glide.seconds / ROWS) + 1):
            frame = min(round(row * ROWS * rate), len(frequencies) - 1)
            file.write(f"{row * ROWS:.2f},{frequencies[frame]:.2f}\n")
    return sound, table


def faded(x: Audio, rate: int) -> Audio:
    """`x` with both ends faded, half a cosine each."""
    length = min(round(FADE * rate), len(x) // 2)
    ramp = 0.5 - 0.5 * np.cos(np.pi * (np.arange(length) + 0.5) / max(length, 1))
    y = x.copy()
    y[:length] *= ramp[:, None]
    y[len(y) - length :] *= ramp[::-1, None]
    return y


def limited(x: Audio) -> Audio:
    """`x`, turned down where its true peak is above −1 dBTP."""
    meter = TruePeakMeter(x.shape[1])
    meter.add(np.ascontiguousarray(x))
    peak = meter.dbtp()
    over = 0.0 if peak is None else peak + UNDER_READ - PEAK
    return x * to_gain(-max(0.0, over))


def _loudness(x: Audio, rate: int) -> float | None:
    meter = LoudnessMeter(rate, x.shape[1])
    meter.add(np.ascontiguousarray(x))
    return meter.integrated()


def _gain(wanted: float | None, found: float | None) -> float:
    return 1.0 if wanted is None or found is None else float(to_gain(wanted - found))
