"""How far a voice is from what is usual in its role.

Voices of the same role share a chain, so they are compared. A figure stands out when it is far from
the role's median, against how far the others are from it; or, since a few scattered songs would
hide anything, when it is so far that an engineer would look in any case. A voice whose chain
differs in a stage tells nothing of how hard that stage usually works, so it has no part in that
median.

References
----------
B. Iglewicz, D. C. Hoaglin, *How to Detect and Handle Outliers* (ASQC, 1993): the modified z-score
0.6745·(x − median) / MAD, and 3.5 as the score from which to look closer. From memory.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from statistics import median

from chainkit.songbook.figures import Figure
from chainkit.songbook.rows import Row

FEWEST = 3  # other voices, to tell what is usual
SCORE = 3.5
NORMAL = 0.6745  # MAD of a normal distribution, in standard deviations

Pick = Callable[[Row], float | None]


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
        if row.role == role and pick(row) is not None and not row.changes_of(stage)
    )
    return Usual(median(_values(those, pick)), those) if those else None


def _values(rows: Iterable[Row], pick: Pick) -> list[float]:
    return [value for value in map(pick, rows) if value is not None]


def departure_of(row: Row, rows: Sequence[Row], pick: Pick, stage: str = "") -> float | None:
    """How far a figure is from the median; None where it or enough others do not exist."""
    own, common = pick(row), usual(rows, row.role, pick, stage)
    if own is None or common is None or sum(other is not row for other in common.rows) < FEWEST:
        return None
    return own - common.median


def standing_out(
    row: Row, rows: Sequence[Row], figure: Figure, pick: Pick, stage: str = ""
) -> float | None:
    """The departure of a figure that stands out; None for one that does not."""
    away, common = departure_of(row, rows, pick, stage), usual(rows, row.role, pick, stage)
    if away is None or common is None or abs(away) < figure.least:
        return None
    others = _values((other for other in common.rows if other is not row), pick)
    spread = median(abs(value - common.median) for value in others)
    far = abs(away) >= figure.always or NORMAL * abs(away) > SCORE * spread
    return away if far else None
