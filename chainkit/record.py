"""The render record: everything needed to repeat and to understand one render."""

from __future__ import annotations

import json
import os
import platform
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from chainkit import doubts
from chainkit.audio.formats import check_subtype
from chainkit.audio.reader import AudioReader
from chainkit.chain import Chain
from chainkit.chain.reading import chain_from_dict
from chainkit.chain.stream import Prepared
from chainkit.errors import UsageError, reason
from chainkit.gainlog import GainLog
from chainkit.stages.compress import Compress, is_matched
from chainkit.stages.ride import Ride
from chainkit.units import SEEDS

FORMAT = 1
MAX_BYTES = 64 << 20
MOST_TRIM = 200.0  # dB


@dataclass(frozen=True)
class Outputs:
    """The files of one render, named after its audio."""

    audio: Path

    @property
    def log(self) -> Path:
        """The gain-reduction log."""
        return self._beside("gr.csv")

    @property
    def detail(self) -> Path:
        """The gain of each frame and stage."""
        return self._beside("gr.npz")

    @property
    def record(self) -> Path:
        """The render record."""
        return self._beside("record.json")

    def _beside(self, ending: str) -> Path:
        return self.audio.with_name(f"{self.audio.stem}.{ending}")


def seen_from(folder: Path, path: str | Path) -> str:
    """Path of a file relative to `folder`, symbolic links resolved."""
    return os.path.relpath(os.path.realpath(path), os.path.realpath(folder))


def describe_file(reader: AudioReader, digest: str, folder: Path, path: Path) -> dict[str, Any]:
    """Where a sound file lies or will lie, seen from `folder`, its hash, and what it holds."""
    return {
        "file": seen_from(folder, path),
        "sha256": digest,
        "frames": reader.frames,
        "rate": reader.rate,
        "channels": reader.channels,
        "container": reader.container,
        "subtype": reader.subtype,
    }


def describe_chain(
    asked: Chain, prepared: Prepared, seconds: float, folder: Path
) -> dict[str, Any]:
    """The chain as it was rendered, the values that were measured for it, and what to know.

    `seconds` is how long the voice is.
    """
    matched = {
        after.name: after.makeup
        for before, after in zip(asked.stages, prepared.chain.stages, strict=True)
        if is_matched(before) and isinstance(after, Compress) and before != after
    }
    rides = [stage for stage in asked.active if isinstance(stage, Ride)]
    odd = [note for ride in rides for note in doubts.of_ride(ride.name, ride.end, seconds)]
    return {
        "chain_file": seen_from(folder, asked.file) if asked.file else None,
        "chain": prepared.chain.resolved().as_dict(),
        "trim_db": prepared.trim,
        "matched_makeup_db": matched,
        "notes": [*prepared.notes, *odd],
    }


def describe_stages(
    chain: Chain, log: GainLog, sibilants: list[tuple[float, float]]
) -> dict[str, Any]:
    """Statistics of each active stage's reduction."""
    statistics = log.statistics()
    split = log.inside_and_outside(sibilants)
    described: dict[str, Any] = {}
    for stage in chain.active:
        described[stage.name] = {"kind": stage.kind}
        if stage.name in statistics:
            inside, outside = split.get(stage.name, (None, None))
            described[stage.name] |= {
                "greatest_db": statistics[stage.name].greatest,
                "mean_db": statistics[stage.name].mean,
                "p95_db": statistics[stage.name].p95,
                "share_above_1_db": statistics[stage.name].share_above_1_db,
                "inside_sibilants_db": inside,
                "outside_sibilants_db": outside,
            }
    return described


def versions() -> dict[str, str]:
    """Versions of what computed the audio, and the kind of machine."""
    from importlib.metadata import version

    names = ("chainkit", "numpy", "scipy", "numba", "soundfile")
    found = {name: version(name) for name in names}
    return found | {"python": platform.python_version(), "machine": platform.machine()}


def load_record(path: str | Path) -> dict[str, Any]:
    """Record of the file at `path`.

    Raises
    ------
    UsageError
        The file is missing or no render record of a known format.
    """
    try:
        with open(os.fspath(path), "rb") as file:
            record = json.loads(file.read(MAX_BYTES))
    except OSError as fault:
        raise UsageError(f"cannot read {path}: {reason(fault)}") from None
    except (ValueError, RecursionError):
        raise UsageError(f"{path} is not a render record: it is not JSON text") from None
    if not isinstance(record, dict) or record.get("chainkit_record") != FORMAT:
        raise UsageError(f"{path} is not a render record of format {FORMAT}")
    return record


def told_output(record: Mapping[str, Any] | None) -> str:
    """The output that a record tells of, seen from the record's folder; empty where it tells none.

    No part of the record need be right.
    """
    told = part_of(record, "output").get("file")
    return told if isinstance(told, str) else ""


def part_of(record: Mapping[str, Any] | None, name: str) -> Mapping[str, Any]:
    """A part of a record; empty where there is none, or something else in its place."""
    found = (record or {}).get(name)
    return found if isinstance(found, dict) else {}


def prepared_chain(record: Mapping[str, Any], path: str | Path) -> Prepared:
    """The chain of a record, ready to render again without measuring.

    Raises
    ------
    UsageError
        The record has no chain that can be read, or no trim.
    """
    chain = chain_from_dict(_value(record, path, dict, "chain"), str(path), "chain")
    trim = float(_value(record, path, (int, float), "trim_db"))
    if not abs(trim) <= MOST_TRIM or chain.needs_makeup:
        raise UsageError(f"{path}: trim_db or a makeup is not one that was rendered")
    return Prepared(replace(chain, working_level=None), trim)


@dataclass(frozen=True)
class Recorded:
    """What is needed to render a record's voice again.

    Parameters
    ----------
    voice, output : Path
    voice_sha256, output_sha256 : str
    container, subtype : str
        Sample format of the output.
    seed : int
        Of the dither.
    prepared : Prepared
    versions : dict
    """

    voice: Path
    output: Path
    voice_sha256: str
    output_sha256: str
    container: str
    subtype: str
    seed: int
    prepared: Prepared
    versions: dict[str, Any]


def read_recorded(path: str | Path) -> Recorded:
    """The parts of a record that a second render needs, each checked.

    Raises
    ------
    UsageError
        The file is no render record, or a part is missing or of the wrong kind.
    """
    record = load_record(path)

    def text(*keys: str) -> str:
        found: str = _value(record, path, str, *keys)
        if "\0" in found:
            raise UsageError(f"{path}: {'.'.join(keys)} is not a name")
        return found

    folder = Path(os.path.realpath(path)).parent
    seed = _value(record, path, int, "output", "dither_seed")
    if not SEEDS[0] <= seed <= SEEDS[1]:
        raise UsageError(f"{path}: output.dither_seed is not a seed")
    container, subtype = text("output", "container"), text("output", "subtype")
    try:
        check_subtype(container, subtype)
    except UsageError as fault:
        raise UsageError(f"{path}: {fault}") from None
    return Recorded(
        folder / text("voice", "file"),
        folder / text("output", "file"),
        text("voice", "sha256"),
        text("output", "sha256"),
        container,
        subtype,
        seed,
        prepared_chain(record, path),
        _value(record, path, dict, "versions"),
    )


def _value(record: Mapping[str, Any], path: str | Path, kind: Any, *keys: str) -> Any:
    """The value at `keys`, which must be of `kind`."""
    found: Any = record
    for key in keys:
        found = found.get(key) if isinstance(found, dict) else None
    if not isinstance(found, kind) or isinstance(found, bool):
        raise UsageError(f"{path} is not a complete render record: {'.'.join(keys)} is not right")
    return found


def levels(measurement: Any) -> dict[str, Any]:
    """Figures of a measurement, the list of sibilants left out."""
    figures: dict[str, Any] = measurement.as_dict()
    figures.pop("sibilants")
    return figures
