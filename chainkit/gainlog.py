"""The gain-reduction log: what each stage did to the level, over time.

`GainLog` writes a row a hop (10 ms unless told otherwise) as CSV, `DetailLog` a gain for each frame
and stage as NPZ; both stream. `read_log` reads the CSV back. `Reductions` are the statistics that
go into the render record.
"""

from __future__ import annotations

import csv
import shutil
import tempfile
import zipfile
from array import array
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

import numpy as np
from numpy.typing import NDArray

from chainkit.chain.stream import Audio, ChainStream, Passage, Tap
from chainkit.dsp.kernels_log import A_DB, gain_rows
from chainkit.dsp.levels import power_to_db, to_db
from chainkit.errors import UsageError

BINS = 100 * A_DB  # percentiles are good to 0.01 dB up to 100 dB of reduction
SOUNDING = 50.0
"""Rows less than this many dB below the loudest one count as sounding."""


FIXED = ("frame", "seconds", "in_dbfs", "out_dbfs")
"""Columns of the log besides those of the stages."""


@dataclass(frozen=True)
class Reductions:
    """Statistics of one stage's gain reduction, in dB, over all frames.

    Parameters
    ----------
    greatest, mean, p95 : float, dB
        p95 is the 95th percentile, to 0.01 dB.
    share_above_1_db : float, 0 to 1
        Share of time with more than 1 dB of reduction.
    """

    greatest: float
    mean: float
    p95: float
    share_above_1_db: float


class _Rows:
    """Cuts a signal into rows, whatever its blocks.

    Parameters
    ----------
    hop : int, frames a row
    """

    def __init__(self, hop: int) -> None:
        self._hop = hop
        self._open: list[Audio] = []
        self._filled = 0

    def add(self, x: Audio) -> list[Audio]:
        """Frames of the rows that `x` completes, in pieces of whole rows."""
        missing = -self._filled % self._hop
        whole = missing + max(0, len(x) - missing) // self._hop * self._hop
        pieces = []
        if self._filled and len(x) >= missing:
            pieces.append(np.concatenate([*self._open, x[:missing]]))
            self._open, self._filled = [], 0
        if whole > missing:
            pieces.append(x[missing:whole])
        rest = x[whole:] if len(x) >= missing else x
        if len(rest):
            self._open.append(rest.copy())
            self._filled += len(rest)
        return pieces

    def finish(self) -> list[Audio]:
        """Frames of the last row when it is not full."""
        return [np.concatenate(self._open)] if self._open else []


class _RowValues:
    """A value for each row of a signal.

    Parameters
    ----------
    hop : int, frames a row
    measure : callable
        Gives a value for each row of a piece (frames, lanes), with the frames a row.
    """

    def __init__(self, hop: int, measure: Callable[[Audio, int], Audio]) -> None:
        self._hop = hop
        self._rows = _Rows(hop)
        self._measure = measure

    def add(self, x: Audio) -> Audio:
        """Values of the rows that `x` completes."""
        found = [self._measure(piece, self._hop) for piece in self._rows.add(x)]
        return np.concatenate([np.empty(0), *found])

    def finish(self) -> Audio:
        """Value of the last row when it is not full."""
        found = [self._measure(piece, len(piece)) for piece in self._rows.finish()]
        return np.concatenate([np.empty(0), *found])


def _peaks(x: Audio, hop: int) -> Audio:
    """Greatest magnitude of each row in dBFS."""
    rows = x.reshape(len(x) // hop, -1)
    return to_db(np.maximum(rows.max(axis=1), -rows.min(axis=1)))


def _powers(x: Audio, hop: int) -> Audio:
    """RMS level of each row in dBFS."""
    rows = x.reshape(len(x) // hop, -1)
    return power_to_db(np.einsum("ij,ij->i", rows, rows) / rows.shape[1])


class _GainColumn:
    """Lowest gain a row of one stage, with statistics of its reduction."""

    def __init__(self, hop: int, idle: float) -> None:
        self._idle = idle
        self._lowest = _RowValues(hop, self._gather)
        self._histogram = np.zeros(BINS, dtype=np.int64)
        self._totals = np.array([0.0, -np.inf, 0.0])
        self.means = array("h")  # hundredths of a dB

    def add(self, tap: Tap) -> Audio:
        """Lowest gain of each row completed."""
        gain = np.zeros((len(tap.output), 1)) if tap.gain is None else tap.gain
        return self._lowest.add(gain)

    def finish(self) -> Audio:
        """Lowest gain of the last row when it is not full."""
        return self._lowest.finish()

    def _gather(self, gain: Audio, hop: int) -> Audio:
        low, mean = np.empty((2, len(gain) // hop))
        gain_rows(gain, self._idle, hop, low, mean, self._histogram, self._totals)
        self.means.frombytes(_hundredths(mean))
        return low

    def statistics(self) -> Reductions | None:
        """Statistics over all frames so far; None before the first."""
        frames = int(self._histogram.sum())
        if not frames:
            return None
        above = np.searchsorted(np.cumsum(self._histogram), 0.95 * frames)
        total, greatest, count = self._totals
        return Reductions(float(greatest), float(total / frames), above / A_DB, count / frames)


class _LevelColumn:
    """Change of RMS level a row across a stage that has no single gain."""

    def __init__(self, hop: int) -> None:
        self._before = _RowValues(hop, _powers)
        self._after = _RowValues(hop, _powers)

    def add(self, tap: Tap) -> Audio:
        """Change of level in dB of each row completed; 0 for a silent row."""
        return _change(self._before.add(tap.input), self._after.add(tap.output))

    def finish(self) -> Audio:
        """Change of level of the last row when it is not full."""
        return _change(self._before.finish(), self._after.finish())

    def statistics(self) -> None:
        """Nothing: a stage without a gain has no reduction."""


def _change(before: Audio, after: Audio) -> Audio:
    sounding = np.isfinite(before) & np.isfinite(after)
    return np.where(sounding, after, 0.0) - np.where(sounding, before, 0.0)


class GainLog:
    """Gathers rows and writes them as CSV.

    The columns are frame, seconds, in_dbfs, a column a stage, out_dbfs. Levels are the greatest
    magnitude in the row; a stage's column is the lowest gain of the row's frames, or for a stage
    with no single gain (eq) the change of RMS level across it.

    Parameters
    ----------
    stream : ChainStream
    hop : int, frames a row
    file : text file or None
        None gathers the statistics alone.
    """

    def __init__(self, stream: ChainStream, hop: int, file: IO[str] | None) -> None:
        self.hop = hop
        self._rate = stream.rate
        self._names = [stage.name for stage in stream.chain.active]
        self._reducing = [stage.reduces for stage in stream.chain.active]
        self._columns: list[_GainColumn | _LevelColumn] = [
            _GainColumn(hop, run.idle_db) if stage.has_gain else _LevelColumn(hop)
            for stage, run in zip(stream.chain.active, stream.runs, strict=True)
        ]
        self._before, self._after = _RowValues(hop, _peaks), _RowValues(hop, _peaks)
        self._waiting: list[list[Audio]] = [[] for _ in range(len(self._columns) + 2)]
        self._in_levels = array("h")  # hundredths of a dB
        self._row = 0
        self._file = file
        if file is not None:
            stages = [f"{name}_db" for name in self._names]
            csv.writer(file, lineterminator="\n").writerow(
                ["frame", "seconds", "in_dbfs", *stages, "out_dbfs"]
            )

    def add(self, voice: Audio, passage: Passage) -> None:
        """Take a block of the voice and what left the chain meanwhile."""
        columns = [column.add(tap) for column, tap in zip(self._columns, passage.taps, strict=True)]
        self._queue([self._before.add(voice), *columns, self._after.add(passage.audio)])

    def finish(self) -> None:
        """Write the last row when it is not full."""
        columns = [column.finish() for column in self._columns]
        self._queue([self._before.finish(), *columns, self._after.finish()])

    def _queue(self, rows: Sequence[Audio]) -> None:
        """Hold rows until each column has them, then write them."""
        self._in_levels.frombytes(_hundredths(rows[0]))
        for waiting, row in zip(self._waiting, rows, strict=True):
            waiting.append(row)
        joined = [np.concatenate(waiting) for waiting in self._waiting]
        ready = min(map(len, joined))
        self._waiting = [[column[ready:]] for column in joined]
        self._write(np.column_stack([column[:ready] for column in joined]))

    def _write(self, rows: Audio) -> None:
        if self._file is not None and len(rows):
            starts = (self._row + np.arange(len(rows))) * self.hop
            line = "%d,%.6f" + ",%.4f" * rows.shape[1] + "\n"
            cells = zip(starts.tolist(), (starts / self._rate).tolist(), rows.tolist(), strict=True)
            self._file.write("".join(line % (frame, time, *row) for frame, time, row in cells))
        self._row += len(rows)

    def statistics(self) -> dict[str, Reductions]:
        """Statistics of each stage that turns down."""
        found = zip(self._names, self._reducing, self._columns, strict=True)
        stats = {name: column.statistics() for name, reduces, column in found if reduces}
        return {name: stat for name, stat in stats.items() if stat is not None}

    def inside_and_outside(
        self, events: Iterable[tuple[float, float]]
    ) -> dict[str, tuple[float | None, float | None]]:
        """Mean reduction in dB of each stage inside `events` (start, end, seconds) and outside.

        Outside counts sounding rows only: those less than 50 dB below the loudest row.
        """
        levels = np.asarray(self._in_levels) / 100.0
        inside = np.zeros(len(levels), dtype=bool)
        for start, end in events:
            first, last = (round(time * self._rate / self.hop) for time in (start, end))
            inside[first:last] = True
        outside = ~inside & (levels > levels.max(initial=-np.inf) - SOUNDING)
        found = zip(self._names, self._reducing, self._columns, strict=True)
        means = {
            name: np.asarray(column.means)
            for name, reduces, column in found
            if reduces and isinstance(column, _GainColumn) and column.means
        }
        return {name: (_mean(mean[inside]), _mean(mean[outside])) for name, mean in means.items()}


def _hundredths(levels: Audio) -> bytes:
    """Levels in dB as 16 bits each, for two hours of rows to be small; held within ±327.67 dB."""
    held = np.clip(np.rint(100.0 * levels), -32767.0, 32767.0)
    return held.astype(np.int16).tobytes()


def _mean(hundredths: NDArray[np.int16]) -> float | None:
    return float(hundredths.mean()) / 100.0 if len(hundredths) else None


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
        Column of each active stage: its lowest gain, or the change of RMS level across it.
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
        raise UsageError(f"cannot read {path}: {fault.strerror}") from None
    except (ValueError, KeyError):
        raise UsageError(f"{path} is not a gain-reduction log") from None


class DetailLog:
    """Gain of each frame and stage, spooled beside the output and packed as NPZ at the end.

    Parameters
    ----------
    stream : ChainStream
    folder : Path
        Where the gains are spooled; they need 8 bytes a frame and stage.
    """

    def __init__(self, stream: ChainStream, folder: Path) -> None:
        self._rate = stream.rate
        self._names = [stage.name for stage in stream.chain.active]
        self._spools: list[IO[bytes]] = [
            tempfile.TemporaryFile(dir=folder)  # noqa: SIM115 - closed by close()
            for _ in self._names
        ]
        self._lanes = [0] * len(self._names)

    def add(self, passage: Passage) -> None:
        """Take what the stages did to one block."""
        for index, tap in enumerate(passage.taps):
            if tap.gain is not None:
                self._lanes[index] = tap.gain.shape[1]
                self._spools[index].write(np.ascontiguousarray(tap.gain).data)

    def pack(self, file: Any) -> None:
        """Write the NPZ: an array (frames, lanes) in dB for each stage with a gain, and rate."""
        with zipfile.ZipFile(file, "w", zipfile.ZIP_STORED, allowZip64=True) as archive:
            with archive.open("rate.npy", "w") as member:
                np.lib.format.write_array(member, np.array(self._rate))
            for name, lanes, spool in zip(self._names, self._lanes, self._spools, strict=True):
                if lanes:
                    self._pack_one(archive, name, lanes, spool)

    def _pack_one(self, archive: zipfile.ZipFile, name: str, lanes: int, spool: IO[bytes]) -> None:
        size = spool.tell()
        header = {"descr": "<f8", "fortran_order": False, "shape": (size // (8 * lanes), lanes)}
        spool.seek(0)
        with archive.open(f"{name}.npy", "w", force_zip64=True) as member:
            np.lib.format.write_array_header_1_0(member, header)
            shutil.copyfileobj(spool, member, 1 << 20)

    def close(self) -> None:
        """Let the spooled gains go."""
        for spool in self._spools:
            spool.close()
