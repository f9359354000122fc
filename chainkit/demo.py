"""Makes an invented recording: a sung voice, a backing, their ground truth, a chain."""

from __future__ import annotations

import csv
from collections.abc import Iterable
from dataclasses import astuple, dataclass, fields
from pathlib import Path
from typing import Any

import numpy as np

from chainkit.audio.atomic import atomic_file, cannot_write, together
from chainkit.audio.folders import made_folder
from chainkit.audio.writer import write
from chainkit.dsp.backing import accompany
from chainkit.dsp.voice import Fricative, Note, Phrase, PlantedResonance, Plosive, Song, Span, sing
from chainkit.errors import ExistsError, OutputError, UsageError

RATE = 48000
SECONDS = (3.0, 600.0)
PEAK_DBFS = -6.0
MUD_HZ, MUD_Q, MUD_DB = (230.0, 420.0), (4.0, 7.0), (6.0, 9.0)

CHAIN = """\
chainkit: 1
name: Demo chain
notes: |
  For the invented voice beside this file. Listen for the boom around {mud} Hz going away, and for
  the hiss of s and sh that stays in its place once the top has been lifted.

# The voice is trimmed to this loudness first, so the thresholds below fit it at any level.
working_level: -26 LUFS

stages:
  - eq:
      bands:
        # Nothing is sung down there, but air from p and b thumps the microphone.
        - {{shape: highpass, frequency: {highpass} Hz, slope: 24 dB/oct}}
        # A resonance that does not move with the tune: a narrow cut on it, as deep as it is tall.
        - {{shape: bell, frequency: {mud} Hz, gain: -{cut} dB, q: {q}}}
        # A wide lift for air. It lifts the hiss as well, which is what the next stage is for.
        - {{shape: high_shelf, frequency: 8 kHz, gain: 3 dB, q: 0.7}}

  # The band starts in the lower flank of this voice's own sh, the lowest of its sibilants. Behind
  # the shelf, so that it hears the hiss as loud as the shelf has made it.
  - deess:
      frequency: {edge} Hz
      threshold: -41 dB
      ratio: '4:1'
      range: 10 dB
      attack: 1 ms
      release: 60 ms

  # Slow enough to let the front of a word through, quick enough to be gone before the next one.
  - compress:
      threshold: -23 dB
      ratio: '3:1'
      knee: 6 dB
      attack: 10 ms
      release: 120 ms
      makeup: match
"""


@dataclass(frozen=True)
class DemoPaths:
    """Files of a demo recording.

    The truth is CSV with times in seconds: the columns of the records in `chainkit.dsp.voice`;
    `dull` holds the hisses that are no sibilants, `resonances` frequency_hz, q and gain_db of what
    was planted, `swell` seconds and gain_db of the backing, straight lines in dB between.
    """

    voice: Path
    backing: Path
    chain: Path
    sibilants: Path
    phrases: Path
    breaths: Path
    plosives: Path
    dull: Path
    notes: Path
    resonances: Path
    swell: Path

    @classmethod
    def inside(cls, folder: Path) -> DemoPaths:
        """The paths in `folder`."""
        suffixes = {"voice": "wav", "backing": "wav", "chain": "yaml"}
        names = [field.name for field in fields(cls)]
        return cls(*(folder / f"{name}.{suffixes.get(name, 'csv')}" for name in names))


def make_demo(
    directory: str | Path,
    *,
    seconds: float = 24.0,
    seed: int = 1,
    register: str = "low",
    force: bool = False,
) -> DemoPaths:
    """Make an invented recording in a folder.

    ``voice.wav`` (24 bit, mono, 48 kHz, peak -6 dBFS) has a resonance planted in it, and
    ``backing.wav`` (stereo) swells and thins. The same arguments give the same files.

    Parameters
    ----------
    directory : str or Path
        Made when it is not there.
    seconds : float, 3 to 600
    seed : int, >= 0
    register : {"low", "high"}
    force : bool
        Replace files in a folder that is not empty.

    Returns
    -------
    DemoPaths

    Raises
    ------
    UsageError
        `seconds` is out of range.
    OutputError
        The folder holds files already and `force` is not given, or cannot be written.
    """
    low, high = SECONDS
    if not low <= seconds <= high:
        raise UsageError(f"a demo of {seconds:g} s is not between {low:g} s and {high:g} s")
    folder = Path(directory)
    if folder.exists() and not folder.is_dir():
        raise OutputError(f"{folder} is a file; name a folder")
    with made_folder(folder, parents=True):
        _refuse_taken(folder, force)
        return _fill(DemoPaths.inside(folder), seconds, seed, register, force)


def _refuse_taken(folder: Path, force: bool) -> None:
    try:
        taken = any(folder.iterdir())
    except OSError as fault:
        raise cannot_write(folder, fault) from fault
    if taken and not force:
        raise ExistsError(f"{folder} is not empty: name a new folder")


def _fill(paths: DemoPaths, seconds: float, seed: int, register: str, force: bool) -> DemoPaths:
    song = sing(
        RATE,
        seconds=seconds,
        register=register,
        seed=seed,
        resonance=_mud(seed),
        level=PEAK_DBFS,
    )
    backing = accompany(RATE, seconds, seed, level=PEAK_DBFS)
    with together():
        write(paths.voice, song.voice, RATE, subtype="PCM_24", force=force)
        write(paths.backing, backing.audio, RATE, subtype="PCM_24", force=force)
        _write_truth(paths, song, backing.swell, force)
        with atomic_file(paths.chain, force=force) as file:
            file.write(_chain_text(song))
    return paths


def _mud(seed: int) -> PlantedResonance:
    rng = np.random.default_rng((seed, 1))
    return PlantedResonance(*(float(rng.uniform(*bounds)) for bounds in (MUD_HZ, MUD_Q, MUD_DB)))


TIMES = ("start", "end", "burst")
"""What is a time in seconds, and says so in its column."""


def _write_truth(
    paths: DemoPaths, song: Song, swell: tuple[tuple[float, float], ...], force: bool
) -> None:
    resonances = [song.resonance] if song.resonance else []
    tables: list[tuple[Path, list[str], Iterable[Any]]] = [
        (paths.sibilants, _columns(Fricative), map(astuple, song.sibilants)),
        (paths.phrases, _columns(Phrase), map(astuple, song.phrases)),
        (paths.breaths, _columns(Span), map(astuple, song.breaths)),
        (paths.plosives, _columns(Plosive), map(astuple, song.plosives)),
        (paths.dull, _columns(Fricative), map(astuple, song.dull)),
        (paths.notes, _columns(Note), map(astuple, song.notes)),
        (paths.resonances, ["frequency_hz", "q", "gain_db"], map(astuple, resonances)),
        (paths.swell, ["seconds", "gain_db"], swell),
    ]
    for path, columns, rows in tables:
        with atomic_file(path, force=force) as file:
            writer = csv.writer(file, lineterminator="\n")
            writer.writerow(columns)
            writer.writerows([[_cell(value) for value in row] for row in rows])


def _columns(record: type[Span]) -> list[str]:
    return [
        f"{field.name}_seconds" if field.name in TIMES else field.name for field in fields(record)
    ]


def _cell(value: float | str) -> str:
    return value if isinstance(value, str) else f"{value:.6f}".rstrip("0").rstrip(".")


def _chain_text(song: Song) -> str:
    """The demo's chain, aimed at what this song has in it."""
    mud = song.resonance or PlantedResonance(300.0, 4.0, 3.0)
    lowest = min(note.hz for note in song.notes)
    return CHAIN.format(
        highpass=5 * round(0.75 * lowest / 5),
        mud=5 * round(mud.frequency / 5),
        cut=round(mud.gain, 1),
        q=round(mud.q, 1),
        edge=100 * round(1.2 * min(sibilant.edge_hz for sibilant in song.sibilants) / 100),
    )
