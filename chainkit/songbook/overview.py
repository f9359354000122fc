"""The figures of all songs side by side, and which of them stand out.

Voices of the same role share a chain, so they are compared. A figure stands out when it is far from
the role's median, against how far the others are from it; or, since a few scattered songs would
hide anything, when it is so far that an engineer would look in any case. A voice whose chain
differs in a stage tells nothing of how hard that stage usually works, so it has no part in that
median. Clipped input stands out wherever it is, since no chain can cure it, and so does what a
render could not do as asked.

A record that is there counts even where it is out of date: else a songbook that is rendered song by
song would be compared with nothing.

References
----------
B. Iglewicz, D. C. Hoaglin, *How to Detect and Handle Outliers* (ASQC, 1993): the modified z-score
0.6745·(x − median) / MAD, and 3.5 as the score from which to look closer. From memory.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import asdict, dataclass, replace
from statistics import median
from typing import Any

from chainkit.dsp.levels import difference
from chainkit.dsp.loudness import widening
from chainkit.songbook.model import Voice
from chainkit.songbook.work import FAILED, NEVER, STALE, Backing, Outcome

FEWEST = 3  # other voices, to tell what is usual
SCORE = 3.5
NORMAL = 0.6745  # MAD of a normal distribution, in standard deviations
CAUSE = 1.0  # dB: the least departure of the voice that is named as a cause
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


@dataclass(frozen=True)
class Figure:
    """A figure that is compared.

    Parameters
    ----------
    key : str
    least, always : float, dB or LU
        A departure below `least` never stands out, one from `always` on does whatever the others
        are like. Common practice, no source.
    more, less : str
        What a departure of ``{}`` dB up or down means; empty where it is welcome.
    """

    key: str
    least: float
    always: float
    more: str
    less: str

    def tell(self, departure: float) -> str:
        """The departure in words."""
        return (self.more if departure > 0 else self.less).format(f"{abs(departure):.1f}")


RECORDED = Figure(
    "voice_lufs", 3.0, 9.0,
    "was recorded {} dB louder than the median", "was recorded {} dB quieter than the median",
)  # fmt: skip
FIGURES = (
    Figure(
        "level_lufs", 3.0, 9.0,
        "reaches the chain {} dB louder than the median",
        "reaches the chain {} dB quieter than the median",
    ),
    Figure(
        "sibilance_db", 1.5, 3.0,
        "was sung with sibilants {} dB above the median",
        "was sung with sibilants {} dB below the median",
    ),
    Figure(
        "noise_db", 6.0, 12.0,
        "its noise floor lies {} dB closer to the voice than the median", "",
    ),
    Figure(
        "output_lufs", 1.0, 2.5,
        "comes out {} LU louder than the median", "comes out {} LU quieter than the median",
    ),
    Figure(
        "output_sibilance_db", 1.5, 3.0,
        "comes out with sibilants {} dB above the median",
        "comes out with sibilants {} dB below the median",
    ),
    Figure(
        "above_backing_lu", 2.0, 3.0,
        "stands {} LU further above its backing than the median",
        "stands {} LU less above its backing than the median",
    ),
)  # fmt: skip
OUTCOMES = ("level_lufs", "output_lufs", "output_sibilance_db", "above_backing_lu")
"""Figures that the songbook's own changes and rides move."""
STAGE = Figure(
    "", 1.5, 3.0, "works {} dB harder than the median", "works {} dB less than the median"
)
KINDS = {"deess": "de-esser", "compress": "compressor"}
"""What a stage is called that has no name of its own."""


def _because(key: str, more: str, less: str) -> Figure:
    return Figure(key, CAUSE, CAUSE, more, less)


_LEVEL = _because(
    "level_lufs", "it reaches the chain {} dB louder", "it reaches the chain {} dB quieter"
)
_SIBILANTS = _because(
    "sibilance_db",
    "its sibilants are {} dB above the median in the recording",
    "its sibilants are {} dB below the median in the recording",
)
CAUSES = {
    "output_lufs": (_LEVEL,),
    "output_sibilance_db": (_SIBILANTS,),
    "above_backing_lu": (_LEVEL,),
    "deess": (_SIBILANTS, _LEVEL),
    "compress": (
        _LEVEL,
        _because(
            "range_lu",
            "its loudness ranges over {} LU more", "its loudness ranges over {} LU less",
        ),
        _because(
            "crest_db",
            "its peaks stand {} dB further above its level",
            "its peaks stand {} dB less above its level",
        ),
    ),
}  # fmt: skip
"""What may be the reason, by the key of a figure or the kind of a stage."""


@dataclass(frozen=True)
class Usual:
    """What is usual of one figure in one role.

    Attributes
    ----------
    median : float
    rows : tuple of Row
        Those it is the median of.
    """

    median: float
    rows: tuple[Row, ...]


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
        """Plain values for JSON."""
        voices = [asdict(row) | {"note": row.note} for row in self.rows]
        return {"record": self.record, "voices": voices}

    def _told(self, cured: bool) -> list[str]:
        found = [(row, mark) for row in self.rows for mark in row.marks if mark.cured == cured]
        found.sort(key=lambda each: -each[1].weight)  # as heavy: in the order of the songs
        return [f"{row.label}: {mark.words}" for row, mark in found]


def overview(record: str, outcomes: Iterable[Outcome]) -> Overview:
    """Overview of all voices, of those with a render also the figures."""
    rows = [_row(found.voice, found) for found in outcomes]
    marked = [
        replace(row, marks=tuple(sorted(_marks(row, rows), key=lambda mark: -mark.weight)))
        for row in rows
    ]
    return Overview(record, tuple(marked))


def _row(voice: Voice, outcome: Outcome) -> Row:
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
        work = {name: _work(stage) for name, stage in stages.items()}
        return replace(
            row,
            figures=_figures(outcome),
            work=work,
            stages=stages,
            render_notes=tuple(outcome.record["notes"]),
        )
    except (KeyError, TypeError, AttributeError):
        return row  # written by another version, and out of date: it tells nothing


def _figures(outcome: Outcome) -> dict[str, float | None]:
    """Figures by key.

    ``noise_db`` is the noise floor in dBFS against the voice's loudness in LUFS: both count a full
    scale as 0, and a ratio stays the same whatever level was recorded.
    """
    record = outcome.record or {}
    before, after = record["levels"]["before"], record["levels"]["after"]
    return {
        "trim_db": record["trim_db"],
        "voice_lufs": before["integrated_lufs"],
        "level_lufs": _sum(before["integrated_lufs"], record["trim_db"]),
        "range_lu": before["loudness_range_lu"],
        "crest_db": before["crest_db"],
        "noise_db": difference(before["noise_floor_dbfs"], before["integrated_lufs"]),
        "clipped_runs": before["clipped_runs"],
        "sibilance_db": before["sibilance_index_db"],
        "output_lufs": after["integrated_lufs"],
        "output_sibilance_db": after["sibilance_index_db"],
        "output_dbtp": after["true_peak_dbtp"],
        "above_backing_lu": _above_backing(record, outcome.backing),
    }


def _above_backing(record: dict[str, Any], backing: Backing | None) -> float | None:
    """LU of the output above its backing, each counted as it sounds in the mix."""
    if backing is None:
        return None
    channels = record["output"]["channels"]
    wider = widening(channels, backing.channels) - widening(backing.channels, channels)
    return _sum(difference(record["levels"]["after"]["integrated_lufs"], backing.lufs), wider)


def _work(stage: dict[str, Any]) -> float | None:
    inside = stage.get("inside_sibilants_db") if stage["kind"] == "deess" else None
    return inside if inside is not None else stage["p95_db"]


def _sum(one: float | None, other: float | None) -> float | None:
    return None if one is None or other is None else one + other


# ------------------------------------------------------------------------------ what stands out
Pick = Callable[[Row], float | None]


def figure_of(key: str) -> Pick:
    """Picks the figure `key` of a voice."""
    return lambda row: row.figures.get(key)


def work_of(stage: str) -> Pick:
    """Picks how hard the stage called `stage` works."""
    return lambda row: row.work.get(stage)


def usual(rows: Iterable[Row], role: str, pick: Pick, stage: str = "") -> Usual | None:
    """What is usual of a figure in a role; None where no voice has it.

    Parameters
    ----------
    rows : iterable of Row
    role : str
    pick : callable
    stage : str
        Where the figure is a stage's: voices that change a value of that stage are left out.
    """
    those = tuple(
        row
        for row in rows
        if row.role == role and pick(row) is not None and not _changes_of(row, stage)
    )
    return Usual(median(_values(those, pick)), those) if those else None


def _values(rows: Iterable[Row], pick: Pick) -> list[float]:
    return [value for value in map(pick, rows) if value is not None]


def _marks(row: Row, rows: Sequence[Row]) -> list[Mark]:
    """What stands out; a figure told as the reason of another is not told again."""
    told: set[str] = set()
    found = []
    for name in row.work:
        departure = _standing_out(row, rows, STAGE, work_of(name), name)
        if departure is not None:
            why, key = _stage_cause(row, rows, name, departure)
            told.add(key)
            words = f"{_called(row, name)} {STAGE.tell(departure)}; {why}"
            found.append(Mark(name, words, abs(departure) / STAGE.always))
    for figure in reversed(FIGURES):  # outcomes first: they may tell of a reason further up
        departure = _standing_out(row, rows, figure, figure_of(figure.key))
        if departure is not None and figure.tell(departure) and figure.key not in told:
            mark, key = _figure_mark(row, rows, figure, departure)
            told.add(key)
            found.append(mark)
    noted = [Mark(NOTES, note, 1.0) for note in row.render_notes]
    return [*_clipping(row), *noted, *_trimmed(row, rows), *found]


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
    departure = _standing_out(row, rows, RECORDED, figure_of("voice_lufs"))
    reached = _departure(row, rows, figure_of("level_lufs"))
    if departure is not None and row.figures["trim_db"] and abs(reached or 0.0) < CAUSE:
        words = f"{RECORDED.tell(departure)}; the trim cures it"
        yield Mark("trim_db", words, abs(departure) / RECORDED.always, cured=True)


def _figure_mark(
    row: Row, rows: Sequence[Row], figure: Figure, departure: float
) -> tuple[Mark, str]:
    """The mark of a figure, and the key of the figure that is its reason."""
    why, key = _own_settings(row, rows) if figure.key in OUTCOMES else "", ""
    if not why:
        why, key = _voice_cause(row, rows, figure.key, departure)
        why = why or (_age(row, rows) if figure.key in OUTCOMES else "")
    words = "; ".join(filter(None, (figure.tell(departure), why)))
    return Mark(figure.key, words, abs(departure) / figure.always), key


def _called(row: Row, stage: str) -> str:
    kind = row.stages[stage]["kind"]
    return KINDS.get(kind, stage) if stage == kind else stage


def _changes_of(row: Row, stage: str) -> list[tuple[str, str]]:
    return [change for change in row.changes.items() if change[0].startswith(f"{stage}.")]


def listed(changes: Iterable[tuple[str, str]]) -> str:
    """Changed values in words: ``deess.threshold −36 dB, eq.bypass true``."""
    return ", ".join(f"{path} {_typeset(text)}" for path, text in changes)


def _typeset(text: str) -> str:
    """`text` with the minus sign of print where a number begins with that of a keyboard."""
    return re.sub(r"(?<![\w.])-(?=[\d.])", "−", text)


def _own_settings(row: Row, rows: Sequence[Row]) -> str:
    """What the songbook sets for this voice and not for most of its role, in words.

    Nothing where the render is out of date: it may have been made without.
    """
    others = [other for other in rows if other.role == row.role and other is not row]
    if row.note:
        return ""
    changes = [
        (path, text)
        for path, text in row.changes.items()
        if _is_rare(other.changes.get(path) == text for other in others)
    ]
    told = [f"its changes: {listed(changes)}"] if changes else []
    if row.rides and _is_rare(bool(other.rides) for other in others):
        told.append("its rides")
    return "; ".join(told)


def _age(row: Row, rows: Sequence[Row]) -> str:
    """Words where a voice and most of its role were not rendered by the same songbook."""
    others = [bool(o.note) for o in rows if o.role == row.role and o is not row and o.figures]
    if row.note:
        return "its render is out of date" if _is_rare(others) else ""
    return "most of the others are out of date" if _is_rare(not each for each in others) else ""


def _is_rare(others: Iterable[bool]) -> bool:
    """Whether fewer than half of the others are alike."""
    found = list(others)
    return 2 * sum(found) < len(found)


def _stage_cause(row: Row, rows: Sequence[Row], stage: str, departure: float) -> tuple[str, str]:
    """Why a stage works harder or less, and the key of the figure that tells so.

    What was changed in the stage, else the voice, else what was changed elsewhere.
    """
    if not row.note and (changed := _changes_of(row, stage)):
        return f"its changes: {listed(changed)}", ""
    why, key = _voice_cause(row, rows, row.stages[stage]["kind"], departure)
    why = why or _own_settings(row, rows) or _age(row, rows)
    return why or "the figures of the voice do not tell why", key


def _voice_cause(row: Row, rows: Sequence[Row], what: str, departure: float) -> tuple[str, str]:
    """The figure of the voice that departs furthest in the same direction, and its key."""
    told = [
        (abs(away), figure.tell(away), figure.key)
        for figure in CAUSES.get(what, ())
        if (away := _departure(row, rows, figure_of(figure.key))) is not None
        and away * departure > 0
        and abs(away) >= figure.least
    ]
    return max(told)[1:] if told else ("", "")


def _departure(row: Row, rows: Sequence[Row], pick: Pick, stage: str = "") -> float | None:
    """How far a figure is from the median; None where it or enough others do not exist."""
    own, common = pick(row), usual(rows, row.role, pick, stage)
    if own is None or common is None or sum(other is not row for other in common.rows) < FEWEST:
        return None
    return own - common.median


def _standing_out(
    row: Row, rows: Sequence[Row], figure: Figure, pick: Pick, stage: str = ""
) -> float | None:
    """The departure of a figure that stands out; None for one that does not."""
    departure, common = _departure(row, rows, pick, stage), usual(rows, row.role, pick, stage)
    if departure is None or common is None or abs(departure) < figure.least:
        return None
    others = _values((other for other in common.rows if other is not row), pick)
    spread = median(abs(value - common.median) for value in others)
    far = abs(departure) >= figure.always or NORMAL * abs(departure) > SCORE * spread
    return departure if far else None
