"""The figures of a comparison: which there are, how sure they are, as JSON and CSV."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass
from operator import attrgetter
from typing import Any

from chainkit.compare.matching import MATCHED_LU
from chainkit.compare.model import Comparison, Outcome
from chainkit.plain import as_json
from chainkit.units import LOUDNESS


@dataclass(frozen=True)
class Figure:
    """One figure of each candidate.

    Parameters
    ----------
    key, label, unit : str
    uncertainty : float or None
        How far the figure moves for the same audio, measured on another grid of windows; a smaller
        difference says nothing.
    of : callable
        Value for an Outcome.
    """

    key: str
    label: str
    unit: str
    uncertainty: float | None
    of: Callable[[Outcome], float | None]


# Each uncertainty bounds how far the figure moves when a voice is shifted against the measure's
# windows, for 16 demo voices of 24 s; a test has the worst of them. Shorter voices move by more.
FIGURES = (
    Figure("crest_db", "crest factor", "dB", 0.05, attrgetter("after.crest_db")),
    Figure("loudness_range_lu", "loudness range", "LU", 0.2, attrgetter("after.loudness_range_lu")),
    Figure("low_mid_db", "low-mid share", "dB", 0.1, attrgetter("after.low_mid_db")),
    Figure("presence_db", "presence share", "dB", 0.1, attrgetter("after.presence_db")),
    Figure("air_db", "air share", "dB", 0.15, attrgetter("after.air_db")),
    Figure(
        "sibilance_index_db", "sibilance index", "dB", 0.25, attrgetter("after.sibilance_index_db")
    ),
    Figure("squeezed_index_db", "… squeezed", "dB", 0.2, attrgetter("squeezed_index_db")),
    Figure("squeeze_rise_db", "rise under squeeze", "dB", 0.3, attrgetter("squeeze_rise_db")),
    Figure("clear_percent", "clear of the backing", "%", 0.5, attrgetter("clear_percent")),
    Figure("residual_db", "residual", "dB", None, attrgetter("residual_db")),
)


def figures(comparison: Comparison) -> tuple[Figure, ...]:
    """The figures that exist for at least one candidate, those of the stages behind the others."""
    found = [
        figure
        for figure in FIGURES
        if any(figure.of(outcome) is not None for outcome in comparison.outcomes)
    ]
    return (*found, *_stage_figures(comparison))


def _stage_figures(comparison: Comparison) -> list[Figure]:
    """Mean reduction of each stage inside and outside sibilants."""
    names = dict.fromkeys(
        name
        for outcome in comparison.outcomes
        for name, stage in outcome.result.record["stages"].items()
        if "mean_db" in stage
    )
    places = (
        ("inside_sibilants_db", "in sibilants", 0.25),
        ("outside_sibilants_db", "elsewhere", 0.1),
    )
    return [
        Figure(f"{name}_{key}", f"{name} {words}", "dB", uncertainty, _of_stage(name, key))
        for name in names
        for key, words, uncertainty in places
    ]


def _of_stage(name: str, key: str) -> Callable[[Outcome], float | None]:
    return lambda outcome: outcome.result.record["stages"].get(name, {}).get(key)


def within_uncertainty(figure: Figure, outcome: Outcome, first: Outcome) -> bool:
    """Whether the difference from the first candidate is too small to say anything."""
    value, reference = figure.of(outcome), figure.of(first)
    if outcome is first or value is None or reference is None or figure.uncertainty is None:
        return False
    return abs(value - reference) < figure.uncertainty


def as_dict(comparison: Comparison) -> dict[str, Any]:
    """The whole comparison as plain values."""
    request = comparison.request
    return {
        "voice": str(comparison.voice.path),
        "backing": None if request.backing is None else str(request.backing.reader.path),
        "voice_level_lu": comparison.voice_level,
        "squeeze_lufs": request.squeeze,
        "squeezed_lufs": comparison.squeezed,
        "uncertainty": {figure.key: figure.uncertainty for figure in figures(comparison)},
        "candidates": [_described(outcome, comparison) for outcome in comparison.outcomes],
    }


def _described(outcome: Outcome, comparison: Comparison) -> dict[str, Any]:
    record = outcome.result.record
    shown = figures(comparison)
    return {
        "name": outcome.candidate.name,
        "order": [stage.name for stage in outcome.candidate.chain.active],
        "same_as": outcome.same_as,
        "views": {
            name: {
                "file": f"audio/{view.path.name}",
                "gain_db": view.gain,
                "integrated_lufs": view.loudness,
                "true_peak_dbtp": view.true_peak,
            }
            for name, view in outcome.views.items()
        },
        "figures": {figure.key: figure.of(outcome) for figure in shown},
        "within_uncertainty": [
            figure.key for figure in shown if within_uncertainty(figure, outcome, comparison.first)
        ],
        "effects": [asdict(effect) for effect in outcome.effects],
        "clear_every_half_second": outcome.clear_every_half_second,
        "stages": record["stages"],
        "levels": record["levels"]["after"],
        "trim_db": record["trim_db"],
        "matched_makeup_db": record["matched_makeup_db"],
        "notes": _notes(outcome, comparison),
        "chain": record["chain"],
    }


def as_json_text(comparison: Comparison) -> str:
    """Text of ``candidates.json``."""
    return as_json(as_dict(comparison))


def as_csv_text(comparison: Comparison) -> str:
    """Text of ``candidates.csv``: a row a candidate, empty cells for what does not exist."""
    shown = figures(comparison)
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(
        ["name", "order", "same_as", "integrated_lufs", "gain_db", *(f.key for f in shown)]
    )
    for outcome in comparison.outcomes:
        voice = outcome.views["voice"]
        cells = [voice.loudness, voice.gain, *(figure.of(outcome) for figure in shown)]
        lead = [outcome.candidate.name, outcome.candidate.description, outcome.same_as or ""]
        writer.writerow([*lead, *map(_cell, cells)])
    return text.getvalue()


def _cell(value: float | None) -> str:
    return "" if value is None or not math.isfinite(value) else f"{value:z.4f}"


def notes(comparison: Comparison) -> dict[str, list[str]]:
    """What the user should know of the candidates, with the names of those it is about."""
    told: dict[str, list[str]] = {}
    for outcome in comparison.outcomes:
        for note in _notes(outcome, comparison):
            told.setdefault(note, []).append(outcome.candidate.name)
    return told


def _notes(outcome: Outcome, comparison: Comparison) -> list[str]:
    """What the render told, and what could not be made alike."""
    told: list[str] = [*outcome.result.record["notes"], *_unmatched(outcome, comparison.first)]
    target, ends = comparison.request.squeeze, comparison.squeezed
    if target is not None and ends is not None and comparison.falls_short(outcome.squeeze_reach):
        target_text, ends_text = (LOUDNESS.format(round(level, 1)) for level in (target, ends))
        told.append(
            f"{target_text} is out of the squeeze's reach: every candidate ends at {ends_text}"
        )
    return told


def _unmatched(outcome: Outcome, first: Outcome) -> Iterator[str]:
    level, due = (one.views["voice"].loudness for one in (outcome, first))
    if due is None:
        return
    if level is None:
        yield "no loudness (below -70 LUFS, or too short): not brought to that of the others"
    elif abs(level - due) > MATCHED_LU:
        yield f"{abs(level - due):.2f} LU away from the first candidate: no gain brings it closer"


def sentences(comparison: Comparison) -> list[str]:
    """What each stage costs or saves the next ones, the largest effects first."""
    effects = [
        (outcome.candidate.name, effect)
        for outcome in comparison.outcomes
        for effect in outcome.effects
        if abs(effect.change) >= 0.1
    ]
    effects.sort(key=lambda pair: -abs(pair[1].change))
    return [
        f"{name}: {effect.stage} {'costs' if effect.change > 0 else 'saves'} {effect.later} "
        f"{abs(effect.change):.1f} dB of mean reduction"
        for name, effect in effects
    ]
