"""The figures of all songs side by side, and which of them stand out.

Voices of the same role share a chain, so each is compared with the others. A figure stands out when
it is far from their median, against how far they are from it themselves; or, since a few scattered
songs would hide anything, when it is so far that an engineer would look in any case. A voice whose
chain differs in a stage tells nothing of how hard that stage usually works.

References
----------
B. Iglewicz, D. C. Hoaglin, *How to Detect and Handle Outliers* (ASQC, 1993): the modified z-score
0.6745·(x − median) / MAD, and 3.5 as the score from which to look closer. From memory.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import asdict, dataclass, replace
from statistics import median
from typing import Any

from chainkit.songbook.model import Voice
from chainkit.songbook.work import Outcome

FEWEST = 3  # other voices, to tell what is usual
SCORE = 3.5
NORMAL = 0.6745  # MAD of a normal distribution, in standard deviations
CAUSE = 1.0  # dB: the least departure of the voice that is named as a cause


@dataclass(frozen=True)
class Row:
    """What the overview tells of one voice.

    Attributes
    ----------
    number, title, role, name
        Of the song and the voice.
    state : str
        What this run did: ``current`` or ``rendered``.
    output : str
        The rendered file.
    changes : dict of str to str
        What differs from the role's chain.
    figures : dict of str to float or None
        See `FIGURES` and `CAUSES`.
    work : dict of str to float or None, dB
        How hard each stage that turns down works: a de-esser by its mean reduction inside
        sibilants, another by the 95th percentile of its reduction.
    stages : dict of str to dict
        The statistics of each stage from the render record.
    marks : tuple of str
        What stands out, and why.
    outlying : tuple of str
        Keys of the figures and names of the stages that stand out.
    """

    number: int
    title: str
    role: str
    name: str
    state: str
    output: str
    changes: dict[str, str]
    figures: dict[str, float | None]
    work: dict[str, float | None]
    stages: dict[str, Any]
    marks: tuple[str, ...] = ()
    outlying: tuple[str, ...] = ()

    @property
    def label(self) -> str:
        """``song 4 (First light), lead``."""
        return f"song {self.number} ({self.title}), {self.name}"


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
        What a departure of ``{}`` dB up or down means.
    """

    key: str
    least: float
    always: float
    more: str
    less: str

    def tell(self, departure: float) -> str:
        """The departure in words."""
        return (self.more if departure > 0 else self.less).format(f"{abs(departure):.1f}")


FIGURES = (
    Figure(
        "trim_db", 3.0, 9.0,
        "was recorded {} dB quieter than the median", "was recorded {} dB louder than the median",
    ),
    Figure(
        "sibilance_db", 1.5, 3.0,
        "was sung with sibilants {} dB above the others",
        "was sung with sibilants {} dB below the others",
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
CAUSES = {
    "deess": (
        _because(
            "sibilance_db",
            "its sibilants are {} dB above the others", "its sibilants are {} dB below the others",
        ),
        _LEVEL,
    ),
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


@dataclass(frozen=True)
class Overview:
    """All voices of a record, with what stands out."""

    record: str
    rows: tuple[Row, ...]

    @property
    def marks(self) -> list[str]:
        """Each thing that stands out, in the order of the songs."""
        return [f"{row.label}: {mark}" for row in self.rows for mark in row.marks]

    @property
    def stage_names(self) -> list[str]:
        """Names of all stages that turn down, in the order in which they first appear."""
        return list(dict.fromkeys(name for row in self.rows for name in row.work))

    def as_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {"record": self.record, "voices": [asdict(row) for row in self.rows]}


def overview(record: str, outcomes: Iterable[Outcome]) -> Overview:
    """Overview of the voices that have a current render."""
    rows = [_row(found.voice, found) for found in outcomes if found.record is not None]
    marked: list[Row] = []
    for row in rows:
        others = [other for other in rows if other.role == row.role and other is not row]
        marks = dict(_marks(row, others))
        marked.append(replace(row, marks=tuple(marks.values()), outlying=tuple(marks)))
    return Overview(record, tuple(marked))


def _row(voice: Voice, outcome: Outcome) -> Row:
    record = outcome.record or {}
    before, after = record["levels"]["before"], record["levels"]["after"]
    stages = {name: stage for name, stage in record["stages"].items() if "mean_db" in stage}
    return Row(
        number=voice.number,
        title=voice.title,
        role=voice.role,
        name=voice.name,
        state=outcome.state,
        output=str(voice.output),
        changes=dict(voice.changes),
        figures={
            "trim_db": record["trim_db"],
            "voice_lufs": before["integrated_lufs"],
            "level_lufs": _sum(before["integrated_lufs"], record["trim_db"]),
            "range_lu": before["loudness_range_lu"],
            "crest_db": before["crest_db"],
            "sibilance_db": before["sibilance_index_db"],
            "output_lufs": after["integrated_lufs"],
            "output_sibilance_db": after["sibilance_index_db"],
            "output_dbtp": after["true_peak_dbtp"],
            "above_backing_lu": _difference(after["integrated_lufs"], outcome.backing_lufs),
        },
        work={name: _work(stage) for name, stage in stages.items()},
        stages=stages,
    )


def _work(stage: dict[str, Any]) -> float | None:
    inside = stage.get("inside_sibilants_db") if stage["kind"] == "deess" else None
    return inside if inside is not None else stage["p95_db"]


def _sum(one: float | None, other: float | None) -> float | None:
    return None if one is None or other is None else one + other


def _difference(one: float | None, other: float | None) -> float | None:
    return None if one is None or other is None else one - other


# ------------------------------------------------------------------------------ what stands out
Pick = Callable[[Row], float | None]


def _marks(row: Row, others: Sequence[Row]) -> Iterator[tuple[str, str]]:
    """What stands out, and the words; a figure told as a stage's cause is not told again."""
    told: set[str] = set()
    stages = []
    for name in row.work:
        departure = _standing_out(row, _unchanged(others, name), STAGE, _stage_work(name))
        if departure is not None:
            why, key = _cause(row, others, name, departure)
            told.add(key)
            stages.append((name, f"{_called(row, name)} {STAGE.tell(departure)}; {why}"))
    for figure in FIGURES:
        departure = _standing_out(row, others, figure, _figure(figure.key))
        if departure is not None and figure.key not in told:
            yield figure.key, figure.tell(departure)
    yield from stages


def _called(row: Row, stage: str) -> str:
    kind = row.stages[stage]["kind"]
    return KINDS.get(kind, stage) if stage == kind else stage


def _unchanged(others: Sequence[Row], stage: str) -> list[Row]:
    """The voices in which a stage is set as the role's chain sets it."""
    return [row for row in others if not _changed(row, stage)]


def _changed(row: Row, stage: str) -> list[str]:
    return [f"{path} is {text} here" for path, text in row.changes.items() if _of(path, stage)]


def _of(path: str, stage: str) -> bool:
    return path.startswith(f"{stage}.")


def _cause(row: Row, others: Sequence[Row], stage: str, departure: float) -> tuple[str, str]:
    """Why a stage works harder or less, and the figure's key: what was changed, else the voice."""
    if changed := _changed(row, stage):
        return ", ".join(changed), ""
    told = [
        (abs(away), figure.tell(away), figure.key)
        for figure in CAUSES.get(row.stages[stage]["kind"], ())
        if (away := _departure(row, others, _figure(figure.key))) is not None
        and away * departure > 0
        and abs(away) >= figure.least
    ]
    return max(told)[1:] if told else ("the figures of the voice do not tell why", "")


def _figure(key: str) -> Pick:
    return lambda row: row.figures[key]


def _stage_work(name: str) -> Pick:
    return lambda row: row.work.get(name)


def _departure(row: Row, others: Sequence[Row], pick: Pick) -> float | None:
    """How far a figure of `row` is from the others' median; None where that does not exist."""
    own, values = pick(row), _known(others, pick)
    return None if own is None or len(values) < FEWEST else own - median(values)


def _standing_out(row: Row, others: Sequence[Row], figure: Figure, pick: Pick) -> float | None:
    """The departure of a figure that stands out; None for one that does not."""
    departure = _departure(row, others, pick)
    if departure is None or abs(departure) < figure.least:
        return None
    values = _known(others, pick)
    middle = median(values)
    usual = median(abs(value - middle) for value in values)
    far = abs(departure) >= figure.always or NORMAL * abs(departure) > SCORE * usual
    return departure if far else None


def _known(rows: Sequence[Row], pick: Pick) -> list[float]:
    return [value for value in map(pick, rows) if value is not None]
