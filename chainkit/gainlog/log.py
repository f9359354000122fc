"""Gathers the rows of the log while a voice goes through its chain."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import IO

import numpy as np

from chainkit.chain.stream import Audio, ChainStream, Passage, Tap
from chainkit.dsp.levels import SILENT
from chainkit.gainlog.rows import RowValues, peaks, powers
from chainkit.gainlog.summary import Reductions, RowLevels, Summary, inside_and_outside
from chainkit.gainlog.table import Table


class _GainColumn:
    """Lowest gain a row of one stage, with a summary of its reduction."""

    def __init__(self, hop: int, idle: float) -> None:
        self.summary = Summary(idle)
        self._lowest = RowValues(hop, self.summary.add)

    def add(self, tap: Tap) -> Audio:
        """Lowest gain of each row completed."""
        gain = np.zeros((len(tap.output), 1)) if tap.gain is None else tap.gain
        return self._lowest.add(gain)

    def finish(self) -> Audio:
        """Lowest gain of the last row when it is not full."""
        return self._lowest.finish()


class _LevelColumn:
    """Change of RMS level a row across a stage that has no single gain."""

    def __init__(self, hop: int) -> None:
        self._before = RowValues(hop, powers)
        self._after = RowValues(hop, powers)

    def add(self, tap: Tap) -> Audio:
        """Change of level in dB of each row completed; 0 for a silent row."""
        return _change(self._before.add(tap.input), self._after.add(tap.output))

    def finish(self) -> Audio:
        """Change of level of the last row when it is not full."""
        return _change(self._before.finish(), self._after.finish())


def _change(before: Audio, after: Audio) -> Audio:
    sounding = (before > SILENT) & (after > SILENT)
    return np.where(sounding, after, 0.0) - np.where(sounding, before, 0.0)


class GainLog:
    """Gathers rows, and writes them as CSV where there is a file.

    Levels are the greatest magnitude in the row; a stage's column is the lowest gain of the row's
    frames, or for a stage with no single gain (eq) the change of RMS level across it.

    Parameters
    ----------
    stream : ChainStream
    hop : int, frames a row
    file : text file or None
        None gathers the statistics alone.
    """

    def __init__(self, stream: ChainStream, hop: int, file: IO[str] | None) -> None:
        stages = stream.chain.active
        self._rate, self._hop = stream.rate, hop
        self._columns: list[_GainColumn | _LevelColumn] = [
            _GainColumn(hop, run.idle_db) if stage.has_gain else _LevelColumn(hop)
            for stage, run in zip(stages, stream.runs, strict=True)
        ]
        self._summaries = {
            stage.name: column.summary
            for stage, column in zip(stages, self._columns, strict=True)
            if stage.reduces and isinstance(column, _GainColumn)
        }
        self._before, self._after = RowValues(hop, peaks), RowValues(hop, peaks)
        self._levels = RowLevels()
        self._waiting: list[list[Audio]] = [[] for _ in range(len(self._columns) + 2)]
        names = [stage.name for stage in stages]
        self._table = None if file is None else Table(file, names, hop, stream.rate)

    def add(self, voice: Audio, passage: Passage) -> None:
        """Take a block of the voice and what left the chain meanwhile."""
        columns = [column.add(tap) for column, tap in zip(self._columns, passage.taps, strict=True)]
        self._queue([self._before.add(voice), *columns, self._after.add(passage.audio)])

    def finish(self) -> None:
        """Take the last row when it is not full."""
        columns = [column.finish() for column in self._columns]
        self._queue([self._before.finish(), *columns, self._after.finish()])

    def _queue(self, rows: Sequence[Audio]) -> None:
        """Hold rows until each column has them, then write them."""
        self._levels.add(rows[0])
        for waiting, row in zip(self._waiting, rows, strict=True):
            waiting.append(row)
        joined = [np.concatenate(waiting) for waiting in self._waiting]
        ready = min(map(len, joined))
        self._waiting = [[column[ready:]] for column in joined]
        if self._table is not None:
            self._table.write(np.column_stack([column[:ready] for column in joined]))

    def statistics(self) -> dict[str, Reductions]:
        """Statistics of each stage that turns down."""
        found = {name: summary.reductions for name, summary in self._summaries.items()}
        return {name: reductions for name, reductions in found.items() if reductions is not None}

    def inside_and_outside(
        self, events: Iterable[tuple[float, float]]
    ) -> dict[str, tuple[float | None, float | None]]:
        """Mean reduction in dB of each stage inside `events` (start, end, seconds) and outside.

        Outside counts sounding rows only: those less than 50 dB below the loudest row.
        """
        rows = [(self._row_at(start), self._row_at(end)) for start, end in events]
        return inside_and_outside(self._summaries, self._levels, rows)

    def _row_at(self, seconds: float) -> int:
        return round(seconds * self._rate / self._hop)
