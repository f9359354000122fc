"""Why something stands out in a voice: what the songbook sets for it, or how it was sung."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from chainkit.songbook.departures import departure_of, figure_of
from chainkit.songbook.figures import CAUSES, OUTCOMES, Figure
from chainkit.songbook.rows import Row, listed


def reason_of_work(row: Row, rows: Sequence[Row], stage: str, departure: float) -> tuple[str, str]:
    """Why a stage works harder or less, and the key of the figure that tells so.

    What was changed in the stage, else the voice, else what was changed elsewhere.
    """
    if not row.note and (changed := row.changes_of(stage)):
        return f"its changes: {listed(changed)}", ""
    _, why, key = _voice_cause(row, rows, row.stages[stage]["kind"], departure)
    why = why or _own_settings(row, rows) or _age(row, rows)
    return why or "the figures of the voice do not tell why", key


def reason_of_figure(
    row: Row, rows: Sequence[Row], figure: Figure, departure: float
) -> tuple[str, str]:
    """Why a figure departs, empty where nothing tells, and the key of the figure that tells so."""
    settable = figure.key in OUTCOMES
    amount, why, key = _voice_cause(row, rows, figure.key, departure)
    # What the recording accounts for by half and more is not laid to what the songbook sets.
    recorded = key and key not in OUTCOMES and 2.0 * amount >= abs(departure)
    if settable and not recorded and (own := _own_settings(row, rows)):
        return own, ""
    return why or (_age(row, rows) if settable else ""), key


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


def _voice_cause(
    row: Row, rows: Sequence[Row], what: str, departure: float
) -> tuple[float, str, str]:
    """By how much the figure of the voice departs that does so furthest in the same direction.

    With it its words and its key.
    """
    told = [
        (abs(away), figure.tell(away), figure.key)
        for figure in CAUSES.get(what, ())
        if (away := departure_of(row, rows, figure_of(figure.key))) is not None
        and away * departure > 0
        and abs(away) >= figure.least
    ]
    return max(told, default=(0.0, "", ""))
