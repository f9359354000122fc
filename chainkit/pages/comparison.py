"""A comparison as the data of its listening page."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from chainkit.compare.model import Comparison, Outcome
from chainkit.compare.report import figures, notes
from chainkit.gainlog import read_log
from chainkit.pages.base import figure
from chainkit.pages.listening.model import Candidate, Column, ListeningPage, Reduction, View
from chainkit.record import Outputs

LABELS = {"voice": "Voice alone", "mix": "In the mix", "squeezed": "Squeezed"}
STEP_ROWS = 2  # rows of the log to a point of the drawn reduction


def listening_page(comparison: Comparison) -> ListeningPage:
    """Page of `comparison`; it opens with the mix where there is one."""
    views = [name for name in ("mix", "voice", "squeezed") if name in comparison.first.views]
    return ListeningPage(
        title=f"Comparison of {Path(comparison.request.voice).name}",
        rate=comparison.voice.rate,
        frames=comparison.voice.frames,
        views=tuple(View(name, LABELS[name]) for name in views),
        candidates=tuple(_candidate(outcome, comparison) for outcome in comparison.outcomes),
        sibilants=tuple((s.start, s.end) for s in comparison.first.result.before.sibilants),
        columns=tuple(
            Column(f.key, f.label, f.unit, uncertainty=f.uncertainty) for f in figures(comparison)
        ),
        notes=notes(comparison),
        settings=_settings(comparison),
    )


def _candidate(outcome: Outcome, comparison: Comparison) -> Candidate:
    return Candidate(
        name=outcome.candidate.name,
        description=_description(outcome),
        sources={name: view.path for name, view in outcome.views.items()},
        loudness={name: view.loudness for name, view in outcome.views.items()},
        trims={name: view.gain for name, view in outcome.views.items()},
        reductions=_reductions(outcome),
        figures={figure.key: figure.of(outcome) for figure in figures(comparison)},
        same_as=outcome.same_as,
    )


def _description(outcome: Outcome) -> str:
    """The order of stages, unless the name tells it already, perhaps with values that vary."""
    candidate = outcome.candidate
    told = f", {candidate.description}," in f", {candidate.name},"
    return "" if told else candidate.description


def _reductions(outcome: Outcome) -> tuple[Reduction, ...]:
    """Reduction of each stage over time, read from the gain-reduction log."""
    stages = [stage for stage in outcome.prepared.chain.active if stage.reduces]
    if not stages:
        return ()
    rate, channels = outcome.raw.rate, outcome.raw.channels
    log = read_log(Outputs(outcome.raw.path).log)
    step = STEP_ROWS * outcome.result.record["log"]["frames_a_row"] / rate
    found = []
    for stage in stages:
        idle = stage.start(rate, channels).idle_db
        reduction = np.maximum(idle - log.gains[stage.name], 0.0)
        padded = np.append(reduction, np.zeros(-len(reduction) % STEP_ROWS))
        points = padded.reshape(-1, STEP_ROWS).max(axis=1)
        # The log has the extremes of its rows; the mean over all frames is in the record.
        whole = outcome.result.record["stages"][stage.name]
        found.append(Reduction(stage.name, step, points, whole["greatest_db"], whole["mean_db"]))
    return tuple(found)


def _settings(comparison: Comparison) -> dict[str, str]:
    request = comparison.request
    settings = {"Voice": request.voice}
    if request.backing is not None:
        settings["Backing"] = str(request.backing.reader.path)
        settings["Voice against backing"] = figure(comparison.voice_level, "LU")
    if request.squeeze is not None:
        settings["Squeezed to"] = _squeezed_to(comparison)
    return settings


def _squeezed_to(comparison: Comparison) -> str:
    """The target, or how far the squeeze got where that is out of reach."""
    target = figure(comparison.request.squeeze, "LUFS")
    if not comparison.falls_short(comparison.squeezed):
        return target
    return f"{figure(comparison.squeezed, 'LUFS')}; {target} is out of reach"
