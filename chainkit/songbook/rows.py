"""What the overview tells of one voice: its figures, and in words what differs for it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

from chainkit import cautions, doubts
from chainkit.doubts import Extent
from chainkit.dsp.levels import difference
from chainkit.dsp.loudness import widening
from chainkit.songbook.work import FAILED, NEVER, STALE, HeardBacking, Outcome
from chainkit.units import typeset

NOTES = "notes"


@dataclass(frozen=True)
class Mark:
    """Something that stands out.

    Attributes
    ----------
    key : str
        Of the figure, or the name of the stage; `NOTES` for a note of the render.
    words : str
        What it is, and why.
    weight : float
        The departure in shares of one that stands out in any case.
    cured : bool
        The chain sees to it already: worth knowing, nothing to do.
    """

    key: str
    words: str
    weight: float
    cured: bool = False


@dataclass(frozen=True)
class Row:
    """What the overview tells of one voice.

    Attributes
    ----------
    number, title, role, name
        Of the song and the voice.
    state : str
        As in `Outcome`.
    reason : str
        Why it is out of date or failed.
    output : str
        The rendered file.
    changes : dict of str to str
        What differs from the role's chain.
    rides : str
        The ride file, empty without one.
    figures : dict of str to float or None
        See `_figures`; empty where no render tells of them.
    work : dict of str to float or None, dB
        How hard each stage that turns down works: a de-esser by its mean reduction inside
        sibilants, another by the 95th percentile of its reduction.
    stages : dict of str to dict
        The statistics of each stage from the render record.
    render_notes : tuple of str
        What the render could not do as asked.
    backing_notes : tuple of str
        Why the backing may be the wrong file.
    marks : tuple of Mark
        What stands out, the most serious first.
    """

    number: int
    title: str
    role: str
    name: str
    state: str
    reason: str
    output: str
    changes: dict[str, str]
    rides: str
    figures: dict[str, float | None]
    work: dict[str, float | None]
    stages: dict[str, Any]
    render_notes: tuple[str, ...] = ()
    backing_notes: tuple[str, ...] = ()
    marks: tuple[Mark, ...] = ()

    @property
    def label(self) -> str:
        """``song 4 (First light), lead``."""
        return f"song {self.number} ({self.title}), {self.name}"

    @property
    def note(self) -> str:
        """Why there is no render of what the songbook asks for; empty where there is one."""
        if self.state == FAILED:
            return f"could not be rendered: {self.reason}"
        if self.state == STALE:
            return self.reason if self.reason == NEVER else f"out of date: {self.reason}"
        return ""

    @property
    def outlying(self) -> set[str]:
        """Keys of the figures and names of the stages in which there is something to do."""
        return {mark.key for mark in self.marks if not mark.cured}

    def changes_of(self, stage: str) -> list[tuple[str, str]]:
        """Path and text of each value of the stage called `stage` that differs."""
        return [change for change in self.changes.items() if change[0].startswith(f"{stage}.")]

    @property
    def word(self) -> str:
        """The note in a word or two."""
        return {FAILED: "failed", STALE: "out of date" if self.figures else NEVER}.get(
            self.state, ""
        )

    @property
    def remark(self) -> str:
        """What differs for this voice: ``out of date; deess.threshold −36 dB; rides``."""
        rides = "rides" if self.rides else ""
        return "; ".join(filter(None, (self.word, listed(self.changes.items()), rides)))


def row_of(outcome: Outcome) -> Row:
    """What is told of a voice on its own: no figures where no render tells of it, and no marks."""
    voice = outcome.voice
    row = Row(
        number=voice.number,
        title=voice.title,
        role=voice.role,
        name=voice.name,
        state=outcome.state,
        reason=outcome.reason.replace("\n", "; "),
        output=str(voice.output),
        changes=dict(voice.changes),
        rides="" if voice.rides is None else str(voice.rides),
        figures={},
        work={},
        stages={},
    )
    if outcome.record is None:
        return row
    try:
        stages = {n: stage for n, stage in outcome.record["stages"].items() if "mean_db" in stage}
        # A voice without a loudness gives the stages nothing to do, and is no measure of others.
        heard = outcome.record["levels"]["before"]["loudest_channel_lufs"] is not None
        work = {name: _work(stage) for name, stage in stages.items() if heard}
        return replace(
            row,
            figures=_figures(outcome),
            work=work,
            stages=stages,
            render_notes=tuple(_render_notes(outcome.record)),
            backing_notes=tuple(_doubts(outcome.backing, outcome.record["voice"])),
        )
    except (KeyError, TypeError, AttributeError):
        return row  # written by another version, and out of date: it tells nothing


def _render_notes(record: Mapping[str, Any]) -> Iterator[str]:
    """What a render could not do as asked, and what to know before listening to it."""
    yield from record["notes"]
    levels, trim = record["levels"], record["trim_db"]
    yield from cautions.of_render(levels, trim, cautions.MUCH_LOUDER_LU)


def _figures(outcome: Outcome) -> dict[str, float | None]:
    """Figures by the key of the record, behind ``output_`` what is measured after the chain.

    Loudness is that of the loudest channel, as the working level counts it, so that the same voice
    is told alike on one channel and on several. ``noise_against_voice_db`` is the noise floor in
    dBFS against the voice's loudness in LUFS, both of the mean channel: both count a full scale as
    0, and a ratio stays the same whatever level was recorded. ``above_backing_lu`` leaves the trim
    out: the backing is not trimmed, so that voice and backing fit as they were recorded.
    """
    record = outcome.record or {}
    before, after = record["levels"]["before"], record["levels"]["after"]
    channels = record["voice"]["channels"]
    noise = difference(before["noise_floor_dbfs"], before["integrated_lufs"])
    untrimmed = difference(after["integrated_lufs"], record["trim_db"])
    return {
        "trim_db": record["trim_db"],
        "loudest_channel_lufs": before["loudest_channel_lufs"],
        "level_lufs": _sum(before["loudest_channel_lufs"], record["trim_db"]),
        "loudness_range_lu": before["loudness_range_lu"],
        "crest_db": before["crest_db"],
        "noise_against_voice_db": _sum(noise, widening(1, channels)),
        "clipped_runs": before["clipped_runs"],
        "sibilance_index_db": before["sibilance_index_db"],
        "output_loudest_channel_lufs": after["loudest_channel_lufs"],
        "output_sibilance_index_db": after["sibilance_index_db"],
        "output_true_peak_dbtp": after["true_peak_dbtp"],
        "above_backing_lu": _above(outcome.backing, record, untrimmed),
        "recorded_above_backing_lu": _above(outcome.backing, record, before["integrated_lufs"]),
    }


def _above(
    backing: HeardBacking | None, record: dict[str, Any], loudness: float | None
) -> float | None:
    """LU of a voice of that loudness above its backing, each counted as it sounds in the mix."""
    if backing is None:
        return None
    channels, others = record["output"]["channels"], backing.extent.channels
    wider = widening(channels, others) - widening(others, channels)
    return _sum(difference(loudness, backing.lufs), wider)


def _doubts(backing: HeardBacking | None, voice: dict[str, Any]) -> Iterator[str]:
    if backing is None:
        return
    if backing.lufs is None:
        yield doubts.of_silent_backing()
    extent = Extent(voice["frames"] / voice["rate"], voice["channels"])
    yield from doubts.of_backing(backing.extent, extent)


def _work(stage: dict[str, Any]) -> float | None:
    inside = stage.get("inside_sibilants_db") if stage["kind"] == "deess" else None
    return inside if inside is not None else stage["p95_db"]


def _sum(one: float | None, other: float | None) -> float | None:
    return None if one is None or other is None else one + other


def listed(changes: Iterable[tuple[str, str]]) -> str:
    """Changed values in words: ``deess.threshold −36 dB, eq.bypass true``."""
    return ", ".join(f"{path} {typeset(text)}" for path, text in changes)
