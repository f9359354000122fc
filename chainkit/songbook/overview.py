"""The figures of all songs side by side, and which of them stand out.

A record that is there counts even where it is out of date: else a songbook that is rendered song by
song would be compared with nothing.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict, dataclass, replace
from typing import Any

from chainkit.songbook.marks import marks_of
from chainkit.songbook.rows import Row, row_of
from chainkit.songbook.work import Outcome


@dataclass(frozen=True)
class Overview:
    """All voices of a record, with what stands out."""

    record: str
    rows: tuple[Row, ...]

    @property
    def rendered(self) -> tuple[Row, ...]:
        """The voices of which there is a render, current or not."""
        return tuple(row for row in self.rows if row.figures)

    @property
    def lacking(self) -> tuple[Row, ...]:
        """The voices that are not rendered as the songbook asks."""
        return tuple(row for row in self.rows if row.note)

    @property
    def marks(self) -> list[str]:
        """Each thing that stands out and needs a look, the most serious first."""
        return self._told(cured=False)

    @property
    def cured(self) -> list[str]:
        """Each thing that stands out in a voice and that the chain sees to."""
        return self._told(cured=True)

    @property
    def stage_names(self) -> list[str]:
        """Names of all stages that turn down, in the order in which they first appear."""
        return list(dict.fromkeys(name for row in self.rows for name in row.work))

    def as_dict(self) -> dict[str, Any]:
        """Plain values for JSON; how hard a stage works is told by its statistics."""
        voices = [asdict(row) | {"note": row.note} for row in self.rows]
        for voice in voices:
            del voice["work"]
        return {"record": self.record, "voices": voices}

    def _told(self, cured: bool) -> list[str]:
        found = [(row, mark) for row in self.rows for mark in row.marks if mark.cured == cured]
        found.sort(key=lambda each: -each[1].weight)  # as heavy: in the order of the songs
        return [f"{row.label}: {mark.words}" for row, mark in found]


def overview(record: str, outcomes: Iterable[Outcome]) -> Overview:
    """Overview of all voices, of those with a render also the figures."""
    rows = [row_of(outcome) for outcome in outcomes]
    marked = [replace(row, marks=marks_of(row, rows)) for row in rows]
    return Overview(record, tuple(marked))
