"""The rows of the log as a CSV file, written and read.

The columns are frame, seconds, in_dbfs, a column a stage, out_dbfs.
"""

from __future__ import annotations

import csv
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import IO

import numpy as np

from chainkit.chain.stream import Audio
from chainkit.errors import UsageError, reason

FIXED = ("frame", "seconds", "in_dbfs", "out_dbfs")
"""Columns besides those of the stages."""


class Table:
    """A log being written, its heading first.

    Parameters
    ----------
    file : text file
    stages : iterable of str
        Their names.
    hop : int, frames a row
    rate : int, Hz
    """

    def __init__(self, file: IO[str], stages: Iterable[str], hop: int, rate: int) -> None:
        self._file = file
        self._hop = hop
        self._rate = rate
        self._row = 0
        columns = [f"{name}_db" for name in stages]
        csv.writer(file, lineterminator="\n").writerow(
            ["frame", "seconds", "in_dbfs", *columns, "out_dbfs"]
        )

    def write(self, rows: Audio) -> None:
        """Add rows, (rows, 2 and one a stage), in dB."""
        starts = (self._row + np.arange(len(rows))) * self._hop
        line = "%d,%.6f" + ",%.4f" * rows.shape[1] + "\n"
        cells = zip(starts.tolist(), (starts / self._rate).tolist(), rows.tolist(), strict=True)
        self._file.write("".join(line % (frame, time, *row) for frame, time, row in cells))
        self._row += len(rows)


@dataclass(frozen=True)
class Log:
    """A gain-reduction log as it was written.

    Parameters
    ----------
    seconds : ndarray, (rows,)
        Start of each row.
    before, after : ndarray, (rows,), dBFS
        Level of the voice and of the output.
    gains : dict of str to ndarray, (rows,), dB
        Lowest gain of each active stage.
    """

    seconds: Audio
    before: Audio
    after: Audio
    gains: dict[str, Audio]


def read_log(path: str | Path) -> Log:
    """Log of the CSV file at `path`.

    Raises
    ------
    UsageError
        The file is missing or no gain-reduction log.
    """
    try:
        with open(path, newline="", encoding="utf-8") as file:
            names, *rows = csv.reader(file)
        columns = dict(zip(names, np.array(rows, dtype=np.float64).T, strict=True))
        gains = {n.removesuffix("_db"): v for n, v in columns.items() if n not in FIXED}
        return Log(columns["seconds"], columns["in_dbfs"], columns["out_dbfs"], gains)
    except OSError as fault:
        raise UsageError(f"cannot read {path}: {reason(fault)}") from None
    except (ValueError, KeyError):
        raise UsageError(f"{path} is not a gain-reduction log") from None
