"""The page of a record: all songs side by side."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import Path
from string import ascii_lowercase
from typing import Any

from markupsafe import Markup

from chainkit.audio.atomic import atomic_file
from chainkit.pages import plots
from chainkit.pages.base import render_page
from chainkit.pages.voice_sheet import sheet_path
from chainkit.songbook.departures import figure_of, usual, work_of
from chainkit.songbook.overview import Overview
from chainkit.songbook.rows import Row

COLUMNS = (
    ("trim_db", "trim, dB", 1),
    ("noise_against_voice_db", "noise, dB", 1),
    ("clipped_runs", "clipped places", 0),
    ("sibilance_index_db", "sibilance before, dB", 1),
    ("output_sibilance_index_db", "sibilance after, dB", 1),
    ("output_loudest_channel_lufs", "loudness, LUFS", 1),
    ("output_true_peak_dbtp", "true peak, dBTP", 1),
    ("above_backing_lu", "above backing, LU", 1),
)
"""Key, heading and decimals; the drawings leave out what is counted."""
PANEL = 1.25  # inches high; two stand side by side
FEWEST = 3  # voices of a role that are worth a drawing


def write_overview(found: Overview, path: Path) -> None:
    """Write the page with all songs side by side.

    Parameters
    ----------
    found : Overview
    path : Path

    Raises
    ------
    OutputError
        It cannot be written.
    """
    with atomic_file(path, force=True) as file:
        file.write(overview_page(found, path.parent))


def overview_page(found: Overview, folder: Path) -> str:
    """HTML text of the page; its links start from `folder`."""
    return render_page(
        "record_overview.html",
        record=found.record or "Record",
        overview=found,
        columns=[column for column in COLUMNS if _known(found, column[0])],
        links=[_link(row, folder) for row in found.rows],
        drawings=list(_drawings(found)),
        fewest=FEWEST,
        undrawn=[role for role, rows in _roles(found) if len(rows) < FEWEST],
    )


def _known(found: Overview, key: str) -> bool:
    return any(row.figures[key] is not None for row in found.rendered)


def _link(row: Row, folder: Path) -> str:
    """Where the recall sheet of a voice lies; empty where there is none."""
    return sheet_path(Path(row.output)).relative_to(folder).as_posix() if row.figures else ""


def _roles(found: Overview) -> Iterator[tuple[str, list[Row]]]:
    """Each role and its voices."""
    for role in dict.fromkeys(row.role for row in found.rendered):
        yield role, [row for row in found.rendered if row.role == role]


def _drawings(found: Overview) -> Iterator[tuple[str, Markup, list[str]]]:
    """Role and drawing of each role that has enough voices, and which of a song is which."""
    for number, (role, rows) in enumerate(_roles(found), start=1):
        if len(rows) >= FEWEST:
            marks = _marks(rows)
            pairs = zip(marks, rows, strict=True)
            names = [f"{mark} {row.name}" for mark, row in pairs if not mark.isdecimal()]
            yield role, _drawing(rows, marks, role, number), names


def _marks(rows: Sequence[Row]) -> list[str]:
    """Number of each voice's song, with a letter where a song has several of them."""
    several, seen, marks = Counter(row.number for row in rows), Counter[int](), []
    for row in rows:
        letter = ascii_lowercase[seen[row.number] % 26] if several[row.number] > 1 else ""
        marks.append(f"{row.number}{letter}")
        seen[row.number] += 1
    return marks


def _drawing(rows: Sequence[Row], marks: Sequence[str], role: str, number: int) -> Markup:
    """Each figure and each stage's work of one role, song by song."""
    panels = [(key, label, figure_of(key), "") for key, label, decimals in COLUMNS if decimals]
    names = list(dict.fromkeys(name for row in rows for name in row.work))
    panels += [(name, f"{name}, dB of reduction", work_of(name), name) for name in names]
    drawn = [panel for panel in panels if any(_exists(panel[2](row)) for row in rows)]
    lines = math.ceil(len(drawn) / 2)
    sheet, grid = plots.figure(10.5, PANEL * lines + 0.4, lines, 2, gap=0.03)
    for place, (key, label, pick, stage) in enumerate(drawn):
        axes = plots.panel(sheet, grid[divmod(place, 2)], label)
        values = [pick(row) for row in rows]
        _draw(axes, values, marks, [key in row.outlying for row in rows])
        if (common := usual(rows, role, pick, stage)) is not None:
            plots.guide(axes, y=common.median, words="median")
    words = f"Figures of the voices in the role {role}, song by song, with the median"
    return Markup(plots.svg(sheet, f"drawing-{number}", words))


def _exists(value: float | None) -> bool:
    return value is not None


def _draw(
    axes: Any, values: Sequence[float | None], marks: Sequence[str], outlying: Sequence[bool]
) -> None:
    """A marked point a voice; those that stand out are filled."""
    known = sorted(value for value in values if value is not None)
    margin = 0.3 * max(1.0, known[-1] - known[0])
    low, high = math.floor(known[0] - margin), math.ceil(known[-1] + margin)
    plots.decibel_axis(axes, low, high, "")
    axes.set_xlim(0.0, 1.08 * (len(values) + 1.0))  # with room for the word beside the last
    axes.set_xticks([])
    for place, (mark, value) in enumerate(zip(marks, values, strict=True), start=1):
        if value is not None:
            plots.marker(axes, place, value, mark, strong=outlying[place - 1])
