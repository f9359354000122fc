"""Ride files: CSV with the columns ``seconds, gain_db``."""

from __future__ import annotations

from os import PathLike
from typing import Any

from chainkit.chain.faults import Faults
from chainkit.errors import ChainFileError, UsageError
from chainkit.stages.ride import POINT
from chainkit.units import as_typed

COLUMNS = ["seconds", "gain_db"]
MAX_BYTES = 16 << 20


def read_ride(path: str | PathLike[str]) -> tuple[tuple[float, float], ...]:
    """Points (seconds, dB) of a ride file.

    Raises
    ------
    UsageError
        The file cannot be read or holds no points.
    ChainFileError
        Rows have faults; the message names file and line of each.
    """
    import csv

    try:
        with open(path, "rb") as file:
            data = file.read(MAX_BYTES + 1)
        if len(data) > MAX_BYTES:
            raise UsageError(f"the ride file {path} is above {MAX_BYTES >> 20} MiB")
        return _points(csv.reader(data.decode("utf-8-sig").splitlines()), str(path))
    except OSError as fault:
        raise UsageError(f"cannot read the ride file {path}: {fault.strerror}") from None
    except (UnicodeDecodeError, csv.Error):
        raise UsageError(f"the ride file {path} is not CSV text") from None


def _points(rows: Any, source: str) -> tuple[tuple[float, float], ...]:
    header = [cell.strip() for cell in next(rows, [])]
    if header != COLUMNS:
        raise ChainFileError(f"the first row must be {','.join(COLUMNS)}", source)
    points: list[tuple[float, float]] = []
    faults = Faults()
    for row in filter(None, rows):
        with faults:
            points.append(_point(row, source, rows.line_num))
            if len(points) > 1 and points[-1][0] <= points[-2][0]:
                raise ChainFileError("the times must rise", source, rows.line_num)
    faults.tell()
    if not points:
        raise UsageError(f"the ride file {source} holds no points")
    return tuple(points)


def _point(row: list[str], source: str, line: int) -> tuple[float, float]:
    try:
        if len(row) != 2:
            raise ValueError(f"found {len(row)} cells")
        seconds, gain = (float(as_typed(cell)) for cell in row)
        POINT.values[0].check(seconds)
        POINT.values[1].check(gain)
    except ValueError as fault:
        shown = ",".join(row)
        raise ChainFileError(
            f"row {shown!r}: seconds,gain_db are due ({fault})", source, line
        ) from None
    return seconds, gain
