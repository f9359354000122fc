"""What stands out in a voice.

Besides figures far from the role's median, clipped input stands out wherever it is, since no chain
can cure it, and so does what a render could not do as asked, and what is odd of the files.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from chainkit.songbook.departures import departure_of, figure_of, standing_out, work_of
from chainkit.songbook.figures import CAUSE, FIGURES, KINDS, RECORDED, STAGE
from chainkit.songbook.reasons import reason_of_figure, reason_of_work
from chainkit.songbook.rows import NOTES, Mark, Row


def marks_of(row: Row, rows: Sequence[Row]) -> tuple[Mark, ...]:
    """What stands out in a voice among all voices, the most serious first.

    A figure told as the reason of another is not told again.
    """
    told: set[str] = set()
    found = []
    for name in row.work:
        departure = standing_out(row, rows, STAGE, work_of(name), name)
        if departure is not None:
            why, key = reason_of_work(row, rows, name, departure)
            told.add(key)
            words = f"{_called(row, name)} {STAGE.tell(departure)}; {why}"
            found.append(Mark(name, words, abs(departure) / STAGE.always))
    for figure in reversed(FIGURES):  # outcomes first: they may tell of a reason further up
        departure = standing_out(row, rows, figure, figure_of(figure.key))
        if departure is not None and figure.tell(departure) and figure.key not in told:
            why, key = reason_of_figure(row, rows, figure, departure)
            told.add(key)
            words = "; ".join(filter(None, (figure.tell(departure), why)))
            found.append(Mark(figure.key, words, abs(departure) / figure.always))
    noted = [Mark(NOTES, note, 1.0) for note in (*row.render_notes, *row.backing_notes)]
    marks = [*_clipping(row), *noted, *_trimmed(row, rows), *found]
    return tuple(sorted(marks, key=lambda mark: -mark.weight))


def _clipping(row: Row) -> Iterator[Mark]:
    """The clipped runs of the input: one run weighs as a sure outlier, ten times as many one more.

    Common practice, no source.
    """
    runs = row.figures.get("clipped_runs")
    if runs:
        words = f"its recording is clipped in {runs:.0f} place{'s' if runs > 1 else ''}"
        yield Mark("clipped_runs", words, 1.0 + math.log10(runs))


def _trimmed(row: Row, rows: Sequence[Row]) -> Iterator[Mark]:
    """Another recording level that the trim to the working level has made good."""
    departure = standing_out(row, rows, RECORDED, figure_of("loudest_channel_lufs"))
    reached = departure_of(row, rows, figure_of("level_lufs"))
    if departure is not None and row.figures["trim_db"] and abs(reached or 0.0) < CAUSE:
        words = f"{RECORDED.tell(departure)}; the trim cures it"
        yield Mark("trim_db", words, abs(departure) / RECORDED.always, cured=True)


def _called(row: Row, stage: str) -> str:
    kind = row.stages[stage]["kind"]
    return KINDS.get(kind, stage) if stage == kind else stage
