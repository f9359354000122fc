"""The pages of a record: all songs side by side, and a recall sheet for each voice."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import partial
from pathlib import Path
from statistics import median
from typing import Any

from markupsafe import Markup

from chainkit.audio.atomic import atomic_file
from chainkit.gainlog import read_log
from chainkit.pages import plots
from chainkit.pages.base import render_page
from chainkit.pages.recall import recall_sheet
from chainkit.record import Outputs
from chainkit.songbook import work
from chainkit.songbook.model import Voice
from chainkit.songbook.overview import Overview, Row
from chainkit.songbook.work import Outcome

COLUMNS = (
    ("trim_db", "trim to working level, dB"),
    ("output_lufs", "loudness, LUFS"),
    ("output_dbtp", "true peak, dBTP"),
    ("sibilance_db", "sibilance index before, dB"),
    ("output_sibilance_db", "sibilance index, dB"),
    ("above_backing_lu", "above backing, LU"),
)
PANEL = 1.15  # inches high
FEWEST = 3  # voices of a role that are worth a drawing


def tend(found: Outcome, *, allow_clipping: bool = False) -> Outcome:
    """Render a voice that is to be rendered, and write its recall sheet."""
    return work.guarded(partial(_tend, allow_clipping=allow_clipping), found)


def lacks_sheet(voice: Voice) -> bool:
    """Whether there is no recall sheet, or one that is older than the render record."""
    try:
        record = Outputs(voice.output).record.stat()
        return sheet_path(voice.output).stat().st_mtime_ns < record.st_mtime_ns
    except FileNotFoundError:
        return True


def sheet_path(output: Path) -> Path:
    """Recall sheet beside an output."""
    return output.with_name(f"{output.stem}.recall.html")


def _tend(found: Outcome, allow_clipping: bool) -> Outcome:
    if found.state == work.STALE:
        found = work.render_voice(found, allow_clipping=allow_clipping)
    voice = found.voice
    log = read_log(Outputs(voice.output).log)
    page = recall_sheet(found.record or {}, log, title=f"{voice.title}: {voice.name}")
    with atomic_file(sheet_path(voice.output), force=True) as file:
        file.write(page)
    return found


def write_overview(found: Overview, failures: Sequence[Outcome], path: Path) -> None:
    """Write the page with all songs side by side.

    Parameters
    ----------
    found : Overview
    failures : sequence of Outcome
        Voices that could not be rendered.
    path : Path

    Raises
    ------
    OutputError
        It cannot be written.
    """
    with atomic_file(path, force=True) as file:
        file.write(overview_page(found, failures, path.parent))


def overview_page(found: Overview, failures: Sequence[Outcome], folder: Path) -> str:
    """HTML text of the page; its links start from `folder`."""
    return render_page(
        "record_overview.html",
        record=found.record or "Record",
        overview=found,
        failures=failures,
        columns=[(key, label) for key, label in COLUMNS if _known(found, key)],
        links=[_link(row, folder) for row in found.rows],
        drawings=list(_drawings(found)),
    )


def _known(found: Overview, key: str) -> bool:
    return any(row.figures[key] is not None for row in found.rows)


def _link(row: Row, folder: Path) -> str:
    return sheet_path(Path(row.output)).relative_to(folder).as_posix()


def _drawings(found: Overview) -> Iterator[tuple[str, Markup]]:
    """Role and drawing of each role that has enough voices."""
    for number, role in enumerate(dict.fromkeys(row.role for row in found.rows), start=1):
        rows = [row for row in found.rows if row.role == role]
        if len(rows) >= FEWEST:
            yield role, _drawing(rows, role, number)


def _drawing(rows: Sequence[Row], role: str, number: int) -> Markup:
    """Each figure and each stage's work of one role, song by song."""
    series = [(label, [row.figures[key] for row in rows]) for key, label in COLUMNS]
    names = list(dict.fromkeys(name for row in rows for name in row.work))
    series += [(f"{name}, dB of reduction", [row.work.get(name) for row in rows]) for name in names]
    drawn = [(label, values) for label, values in series if any(v is not None for v in values)]
    height = PANEL * len(drawn) + 0.4
    sheet, grid = plots.figure(9.0, height, len(drawn), 1, gap=0.03)
    for place, (label, values) in enumerate(drawn):
        _draw(plots.panel(sheet, grid[place, 0], label), rows, values)
    words = f"Figures of the voices in the role {role}, song by song, with the median"
    return Markup(plots.svg(sheet, f"drawing-{number}", words))


def _draw(axes: Any, rows: Sequence[Row], values: Sequence[float | None]) -> None:
    """A numbered point a song, and the median across."""
    known = sorted(value for value in values if value is not None)
    middle = median(known)
    reach = max(1.0, known[-1] - known[0])
    plots.decibel_axis(axes, known[0] - 0.35 * reach, known[-1] + 0.35 * reach, "")
    axes.set_xlim(0.0, len(rows) + 1.0)
    axes.set_xticks([])
    plots.guide(axes, y=middle, words="median")
    for place, (row, value) in enumerate(zip(rows, values, strict=True), start=1):
        if value is not None:
            plots.marker(axes, place, value, str(row.number))
