"""The recall sheet: one printable page that tells how to set a render again by hand."""

from __future__ import annotations

import functools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from markupsafe import Markup

from chainkit.chain import Chain
from chainkit.chain.reading import chain_from_dict
from chainkit.gainlog import Log
from chainkit.pages import curves, plots
from chainkit.pages.base import change, render_page
from chainkit.pages.levels import of_a_render
from chainkit.pages.settings import every_setting
from chainkit.pages.timeline import WIDTH, moving_stages, reduction_sheet, sheet_height
from chainkit.songbook.model import RIDES
from chainkit.songbook.rows import listed

# Inches as drawn; the page shows them at about three quarters. A ride is drawn over time, with what
# it met.
PICTURE_WIDTH = 6.4
PICTURE_HEIGHTS = {"eq": 1.35, "deess": 1.75, "compress": 1.75}

# Print, in millimetres at full size: what the page holds, what everything but stages and notes
# takes, the heading of the gain over time, and a line of each.
PAGE_WIDTH, PAGE, HEAD_AND_FOOT, HEADING, LINE, NOTE_LINE = 186.0, 270.0, 83.0, 6.0, 3.05, 3.9
SMALLEST_PRINT = 0.65  # of the full size
ABREAST, POINT_LINE = 10, 0.8  # points of a ride beside one another, and lines that a row takes


@dataclass(frozen=True)
class StageEntry:
    """One stage as the sheet shows it.

    Parameters
    ----------
    kind, heading : str
    settings : list of (str, str)
        Names and values.
    points : list of (str, str)
        Times and gains in dB of a ride.
    picture : Markup or None
        Its curves.
    statistics : mapping or None
        Its reduction, from the render record.
    matched : float or None, dB
        The makeup that was found by matching loudness.
    own : frozenset of str
        What the song sets itself: names of settings, and numbers of bands.
    """

    kind: str
    heading: str
    settings: curves.Rows
    points: list[tuple[str, str]]
    picture: Markup | None
    statistics: Mapping[str, Any] | None
    matched: float | None
    own: frozenset[str] = frozenset()

    @property
    def narrow(self) -> bool:
        """Whether the settings are short enough to stand in two columns."""
        return max((len(name + value) for name, value in self.settings), default=0) <= 25

    def is_own(self, name: str) -> bool:
        """Whether the song sets the value called `name`, or one of the band it begins with."""
        return name.partition("  ")[0] in self.own

    @property
    def did(self) -> bool:
        """Whether there is a sentence about what the stage did."""
        return self.statistics is not None or self.matched is not None

    @property
    def lines(self) -> float:
        """How many lines of print the stage takes, about."""
        settings = math.ceil(len(self.settings) / (2 if self.narrow else 1))
        points = 1.4 + POINT_LINE * math.ceil(len(self.points) / ABREAST) if self.points else 0
        pictured = 0 if self.picture is None else 5.3 * PICTURE_HEIGHTS[self.kind]
        return 2.4 + max(settings, pictured) + 1.5 * self.did + points


def recall_sheet(
    record: Mapping[str, Any],
    log: Log | None = None,
    *,
    title: str = "",
    place: str = "",
    own: Sequence[tuple[str, str]] = (),
    about: str = "",
) -> str:
    """HTML text of the recall sheet of one render.

    Parameters
    ----------
    record : mapping
        The render record.
    log : Log or None
        The gain-reduction log; without it the sheet has no reduction over time.
    title : str
        Heads the page; the name of the output if left out.
    place : str
        Where the song belongs: the name of its record, and its number.
    own : sequence of (str, str)
        Path and text of each value that the song sets itself, ``rides`` and the file's name too.
    about : str
        Description in the page's head.

    Returns
    -------
    str
        A self-contained page, made to be printed on one sheet of A4: the more the chain holds, the
        smaller the print, down to two thirds.

    Raises
    ------
    UsageError
        The chain of the record cannot be read.
    """
    chain = chain_from_dict(record["chain"], "render record")
    notes = [note for note in (chain.notes.strip(), *record["notes"]) if note]
    stages = _stage_entries(record, chain, own)
    told = listed(own)
    over_time = 0.0 if log is None else PAGE_WIDTH * sheet_height(moving_stages(chain, log)) / WIDTH
    return render_page(
        "recall.html",
        title=title or record["output"]["file"],
        place=place,
        about=about,
        own=told,
        level_is_own=any(path == "working_level" for path, _ in own),
        record=record,
        chain=chain,
        notes=notes,
        seconds=record["voice"]["frames"] / record["voice"]["rate"],
        levels=of_a_render(record["levels"]),
        stages=stages,
        reduction=None if log is None else _reduction(chain, log),
        over_time=over_time,
        print_scale=_print_scale(stages, [*notes, told] if told else notes, over_time),
    )


def _print_scale(stages: list[StageEntry], notes: list[str], over_time: float) -> float:
    """Size of print, at most 1, at which all should fit one page."""
    lines = sum(math.ceil(len(note) / 125) for note in notes) + 2.5 * bool(notes)
    height = HEAD_AND_FOOT + over_time + HEADING * (over_time > 0) + NOTE_LINE * lines
    height += LINE * sum(stage.lines for stage in stages)
    return min(1.0, max(SMALLEST_PRINT, PAGE / height))


def _stage_entries(
    record: Mapping[str, Any], chain: Chain, own: Sequence[tuple[str, str]]
) -> list[StageEntry]:
    paths = [path for path, _ in own]
    if RIDES in paths:  # they go into the first ride
        paths += [f"{s.name}.points" for s in chain.stages if s.kind == "ride"][:1]
    return [_stage_entry(record, chain, index, paths) for index in range(len(chain.stages))]


def _stage_entry(
    record: Mapping[str, Any], chain: Chain, index: int, paths: Sequence[str]
) -> StageEntry:
    stage = chain.stages[index]
    statistics = record["stages"].get(stage.name, {})
    return StageEntry(
        kind=stage.kind,
        heading=curves.heading(index, stage),
        settings=every_setting(stage, record["voice"]["rate"]),
        points=[_point(*point) for point in getattr(stage, "points", ())],
        picture=_picture(stage, index, record["voice"]["rate"]),
        statistics=statistics if "greatest_db" in statistics else None,
        matched=record["matched_makeup_db"].get(stage.name),
        own=frozenset(_row_of(path) for path in paths if path.startswith(f"{stage.name}.")),
    )


def _row_of(path: str) -> str:
    """What the row of the value at `path` is called: its keys, or the number of its band.

    The points of a ride are one row, from whatever file they are.
    """
    keys = path.split(".")[1:]
    if keys[0] in ("points", "file"):
        return "points"
    return keys[1] if keys[0] == "bands" and len(keys) > 1 else " ".join(keys)


def _point(seconds: float, gain: float) -> tuple[str, str]:
    """Time as ``1:07.25``, and a gain with its sign."""
    hundredths = round(100 * seconds)
    return f"{hundredths // 6000}:{hundredths % 6000 / 100:05.2f}", change(0.0, gain)


@functools.lru_cache(maxsize=64)
def _picture(stage: Any, index: int, rate: int) -> Markup | None:
    """Its curves, drawn once for all songs that share the stage."""
    if stage.kind not in PICTURE_HEIGHTS or not curves.has_curves(stage):
        return None
    sheet = curves.stage_sheet(stage, rate, PICTURE_WIDTH, PICTURE_HEIGHTS[stage.kind])
    return _inline(sheet, f"stage-{index + 1}", f"Curves of {stage.name} from the values beside it")


def _reduction(chain: Chain, log: Log) -> Markup:
    names = ", ".join(stage.name for stage in moving_stages(chain, log))
    words = f"Level over time, and gain over time of: {names or 'no stage'}"
    return _inline(reduction_sheet(chain, log), "reduction", words)


def _inline(sheet: Any, name: str, description: str) -> Markup:
    return Markup(plots.svg(sheet, name, description))  # svg escapes names
