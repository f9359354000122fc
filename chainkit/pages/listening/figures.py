"""The figures of the page in words: table cells, and what the loudness match came to."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from chainkit.pages.listening.model import Candidate, Column, ListeningPage, View

NONE = "–"
"""Stands in a cell whose measure does not exist, as the loudness of silence."""


@dataclass(frozen=True)
class Cell:
    """One cell: the value, its difference from the first candidate, and whether that is none."""

    text: str
    difference: str = ""
    within: bool = False


def number(value: float, decimals: int, signed: bool = False) -> str:
    """`value` with a true minus sign: ``−3.0``, ``+0.5`` when `signed`; minus infinity is ``none``.

    Examples
    --------
    >>> number(-3, 1), number(0.5, 2, signed=True), number(-0.004, 2, signed=True)
    ('−3.0', '+0.50', '0.00')
    """
    if math.isinf(value):
        return "none" if value < 0 else "∞"
    rounded = round(value, decimals) + 0.0  # no negative zero
    sign = "+" if signed and rounded else ""
    return f"{rounded:{sign}.{decimals}f}".replace("-", "−")


def header(column: Column) -> str:
    """``Crest factor, dB (±0.1)``."""
    unit = f", {column.unit}" if column.unit else ""
    unsure = f" (±{column.uncertainty:g})" if column.uncertainty is not None else ""
    return f"{column.label}{unit}{unsure}"


def rows(page: ListeningPage) -> list[list[Cell]]:
    """Cells of each candidate, one for each of the page's columns."""
    first = page.candidates[0]
    return [
        [_cell(column, candidate, first) for column in page.columns]
        for candidate in page.candidates
    ]


def _cell(column: Column, candidate: Candidate, first: Candidate) -> Cell:
    value = candidate.figures.get(column.key)
    if value is None or math.isnan(value):
        return Cell(NONE)
    text = number(value, column.decimals)
    reference = first.figures.get(column.key)
    if candidate is first or reference is None or not math.isfinite(value - reference):
        return Cell(text)
    difference = value - reference
    within = column.uncertainty is not None and abs(difference) < column.uncertainty
    return Cell(text, number(difference, column.decimals, signed=True), within)


def matching(page: ListeningPage) -> list[str]:
    """What the loudness match came to, a sentence for each view that was measured."""
    return list(_matching(page))


def _matching(page: ListeningPage) -> Iterator[str]:
    for view in page.views:
        levels = _levels(page, view)
        if levels:
            mean = number(sum(levels) / len(levels), 1)
            # Rounded up, since they lie within it: not even the best match is one of 0.00 LU.
            hundredths = math.ceil(100.0 * (max(levels) - min(levels)) - 1e-9)
            spread = number(max(hundredths, 1) / 100, 2)
            yield f"{view.label}: {mean} LUFS, all candidates within {spread} LU."


def _levels(page: ListeningPage, view: View) -> list[float]:
    found = (candidate.loudness.get(view.key) for candidate in page.candidates)
    return [level for level in found if level is not None and math.isfinite(level)]


def level_columns(page: ListeningPage) -> list[str]:
    """Headers of the loudness and the matching gain of each view."""
    shown = [view for view in page.views if _levels(page, view)]
    return [
        text
        for view in shown
        for text in (f"{view.label}: loudness, LUFS", f"{view.label}: gain to match, dB")
    ]


def level_cells(page: ListeningPage, candidate: Candidate) -> list[Cell]:
    """Cells under `level_columns`."""
    shown = [view.key for view in page.views if _levels(page, view)]
    return [
        _plain(values.get(key), signed)
        for key in shown
        for values, signed in ((candidate.loudness, False), (candidate.trims, True))
    ]


def _plain(value: float | None, signed: bool) -> Cell:
    return Cell(NONE if value is None else number(value, 2, signed))
