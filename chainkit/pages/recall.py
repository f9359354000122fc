"""The recall sheet: one printable page that tells how to set a render again by hand."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from markupsafe import Markup

from chainkit.chain import Chain
from chainkit.chain.model import chain_from_dict
from chainkit.pages import curves, plots
from chainkit.pages.base import render_page
from chainkit.pages.timeline import Log, moving_stages, reduction_sheet

LEVELS = (
    ("integrated_lufs", "integrated loudness", "LUFS"),
    ("loudness_range_lu", "loudness range", "LU"),
    ("true_peak_dbtp", "true peak", "dBTP"),
    ("crest_db", "crest factor", "dB"),
    ("sibilance_index_db", "sibilance index", "dB"),
)

# Inches as drawn; the page shows them at about three quarters. A ride is drawn over time, with what
# it met; taller pictures than `ALL_PICTURES` in sum would not leave room for the rest of the page.
PICTURE_WIDTH, ALL_PICTURES = 6.4, 6.0
PICTURE_HEIGHTS = {"eq": 1.35, "deess": 1.75, "compress": 1.75}


@dataclass(frozen=True)
class StageEntry:
    """One stage as the sheet shows it.

    Parameters
    ----------
    heading : str
    settings : list of (str, str)
        Names and values.
    points : list of (str, str)
        Times and gains of a ride.
    picture : Markup or None
        Its curves.
    statistics : mapping or None
        Its reduction, from the render record.
    matched : float or None, dB
        The makeup that was found by matching loudness.
    """

    heading: str
    settings: curves.Rows
    points: list[tuple[str, ...]]
    picture: Markup | None
    statistics: Mapping[str, Any] | None
    matched: float | None

    @property
    def narrow(self) -> bool:
        """Whether the settings are short enough to stand in two columns."""
        return max((len(name + value) for name, value in self.settings), default=0) <= 25


def recall_sheet(record: Mapping[str, Any], log: Log | None = None, *, title: str = "") -> str:
    """HTML text of the recall sheet of one render.

    Parameters
    ----------
    record : mapping
        The render record.
    log : Log or None
        The gain-reduction log; without it the sheet has no reduction over time.
    title : str
        Heads the page; the name of the output if left out.

    Returns
    -------
    str
        A self-contained page, made to be printed on one sheet of A4.

    Raises
    ------
    UsageError
        The chain of the record cannot be read.
    """
    chain = chain_from_dict(record["chain"], "render record")
    return render_page(
        "recall.html",
        title=title or record["output"]["file"],
        record=record,
        chain=chain,
        seconds=record["voice"]["frames"] / record["voice"]["rate"],
        levels=_levels(record["levels"]),
        stages=_stage_entries(record, chain),
        reduction=None if log is None else _reduction(chain, log),
    )


def _levels(levels: Mapping[str, Any]) -> list[tuple[str, str, float | None, float | None]]:
    """Label, unit, before and after of each figure that the record has."""
    before, after = levels["before"], levels["after"]
    return [(label, unit, before[key], after[key]) for key, label, unit in LEVELS if key in before]


def _stage_entries(record: Mapping[str, Any], chain: Chain) -> list[StageEntry]:
    heights = [_height(stage) for stage in chain.stages]
    scale = min(1.0, ALL_PICTURES / max(sum(heights), 1.0))
    return [
        _stage_entry(record, stage, index, scale * height)
        for index, (stage, height) in enumerate(zip(chain.stages, heights, strict=True))
    ]


def _height(stage: Any) -> float:
    return PICTURE_HEIGHTS.get(stage.kind, 0.0) if curves.has_curves(stage) else 0.0


def _stage_entry(record: Mapping[str, Any], stage: Any, index: int, height: float) -> StageEntry:
    entry = record["chain"]["stages"][index]
    statistics = record["stages"].get(stage.name, {})
    return StageEntry(
        heading=curves.heading(index, stage),
        settings=curves.settings(entry),
        points=[tuple(map(curves.shown, point)) for point in entry[stage.kind].get("points", [])],
        picture=_picture(stage, index, record["voice"]["rate"], height),
        statistics=statistics if "greatest_db" in statistics else None,
        matched=record["matched_makeup_db"].get(stage.name),
    )


def _picture(stage: Any, index: int, rate: int, height: float) -> Markup | None:
    if not height:
        return None
    sheet = curves.stage_sheet(stage, rate, PICTURE_WIDTH, height)
    return _inline(sheet, f"stage-{index + 1}", f"Curves of {stage.name} from the values beside it")


def _reduction(chain: Chain, log: Log) -> Markup:
    names = ", ".join(stage.name for stage in moving_stages(chain, log))
    words = f"Level over time, and gain over time of: {names or 'no stage'}"
    return _inline(reduction_sheet(chain, log), "reduction", words)


def _inline(sheet: Any, name: str, description: str) -> Markup:
    return Markup(plots.svg(sheet, name, description))  # svg escapes names
