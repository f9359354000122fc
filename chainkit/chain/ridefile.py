"""Ride files: CSV with the columns ``seconds, gain_db``."""

from __future__ import annotations

import os
import re
from dataclasses import replace
from functools import partial
from os import PathLike
from typing import Any

from chainkit.chain.document import Place
from chainkit.chain.faults import Faults
from chainkit.errors import ChainFileError, Known, UsageError, reason
from chainkit.stages.base import Stage
from chainkit.stages.ride import POINT, Ride
from chainkit.texts import brief
from chainkit.units import NUMBER, as_typed, nearest

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
        raise UsageError(f"cannot read the ride file {path}: {reason(fault)}") from None
    except (UnicodeDecodeError, csv.Error):
        raise UsageError(f"the ride file {path} is not CSV text") from None


def with_points(stage: Stage, folder: str, place: Place | None = None) -> Stage:
    """`stage`, with the points of its ride file, if it names one, instead of the file's name.

    Parameters
    ----------
    stage : Stage
    folder : str
        Where the file is looked for.
    place : Place or None
        Where the file is named.

    Raises
    ------
    UsageError
        As `read_ride`; a ChainFileError at `place`, where there is one.
    """
    if not isinstance(stage, Ride) or not stage.file:
        return stage
    try:
        return replace(stage, points=read_ride(os.path.join(folder, stage.file)), file="")
    except ChainFileError:
        raise
    except UsageError as fault:
        raise (place.fault(str(fault)) if place else fault) from None


def _points(rows: Any, source: str) -> tuple[tuple[float, float], ...]:
    header = [cell.strip() for cell in next(rows, [])]
    if header != COLUMNS:
        due = f"the first row must be {','.join(COLUMNS)}"
        raise ChainFileError(f"{due}{_hint(header)}", source)
    points: list[tuple[float, float]] = []
    faults = Faults()
    for row in filter(None, rows):
        with faults:
            points.append(_point(row, source, rows.line_num))
            if len(points) > 1 and points[-1][0] <= points[-2][0]:
                allowed = (f"above {points[-2][0]:g}",)
                known = Known(COLUMNS[0], row[0].strip(), partial(tuple, allowed))
                raise ChainFileError("the times must rise", source, rows.line_num, known=known)
    faults.tell()
    if not points:
        raise UsageError(f"the ride file {source} holds no points")
    return tuple(points)


def _hint(cells: list[str]) -> str:
    """What is probably wrong with a row: how its columns are parted, or a name."""
    if len(cells) > len(COLUMNS) or any(";" in cell or "\t" in cell for cell in cells):
        return "; commas part the columns, and numbers take a decimal point"
    hints = (nearest(cell, COLUMNS) for cell in cells if cell not in COLUMNS)
    return next(filter(None, hints), "")


def _point(row: list[str], source: str, line: int) -> tuple[float, float]:
    """The point of a row; a fault names the column at which the wrong cell begins."""
    shown = brief(",".join(row))
    if len(row) != len(COLUMNS):
        due = "a time and a gain are due, in two cells"
        raise ChainFileError(f"row {shown}: {due}{_hint(row)}", source, line)
    values, column, faults = [], 1, Faults()
    for name, cell, form in zip(COLUMNS, row, POINT.values, strict=True):
        with faults:
            try:
                values.append(_number(cell, form))
            except ValueError as fault:
                message = f"row {shown}: {name} {brief(cell.strip())} {fault}"
                allowed = (f"{form.low:.0f} to {form.high:.0f}",)  # type: ignore[attr-defined]
                known = Known(name, cell.strip(), partial(tuple, allowed))
                raise ChainFileError(message, source, line, column, known=known) from None
        column += len(cell) + 1
    faults.tell()
    return values[0], values[1]


def _number(cell: str, form: Any) -> float:
    """Number of a cell; a ValueError tells what it is not."""
    text = as_typed(cell).strip()
    if re.fullmatch(NUMBER, text) is None:  # Python alone would take 1_0 for ten
        raise ValueError("is not a number without unit, such as 1.5")
    value = float(text)
    if not form.low <= value <= form.high:
        raise ValueError(f"is not between {form.low:.0f} and {form.high:.0f}")
    return value
