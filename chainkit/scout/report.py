"""What was scouted as plain values, and what somebody should know who reads them."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

from chainkit import cautions, doubts
from chainkit.dsp.sibilance import LOWEST_RATE
from chainkit.scout.analyse import Scouting
from chainkit.scout.chainfile import Proposal
from chainkit.scout.proposal import has_offset, offset_share
from chainkit.stages.base import Settings, forms
from chainkit.stages.forms import Amount
from chainkit.units import FREQUENCY

# What is appended in JSON to the name of a setting that has this unit.
SUFFIXES = {
    "Hz": "_hz",
    "dB": "_db",
    "s": "_seconds",
    "dB/oct": "_db_per_octave",
    "oct": "_octaves",
}


def as_dict(
    scouting: Scouting, proposal: Proposal | None, written: Iterable[Path] = ()
) -> dict[str, Any]:
    """Findings, the chain to start from, files written, notes.

    Parameters
    ----------
    scouting : Scouting
    proposal : Proposal or None
    written : iterable of Path
    """
    return scouting.as_dict() | {
        "chain": None if proposal is None else chain_values(proposal),
        "written": [str(path) for path in written],
        "notes": list(notes(scouting)),
    }


def chain_values(proposal: Proposal) -> dict[str, Any]:
    """Every value of the starting chain, in base units, as the chain file holds it."""
    eq = [
        {"shape": move.band.shape, **_values(move.band), "reason": move.reason}
        for move in proposal.moves
    ]
    stages = {stage.kind: stage for stage in proposal.chain.stages}
    rest = {
        kind: _values(stages[kind]) if kind in stages else None for kind in ("deess", "compress")
    }
    left_out = [
        {"kind": found.kind, "frequency_hz": found.frequency_hz, "reason": reason}
        for found, reason in proposal.left_out
    ]
    trial = proposal.trial
    tried = trial and {"inside_sibilants_db": trial.inside_db, "elsewhere_db": trial.outside_db}
    return {
        "working_level_lufs": proposal.chain.working_level, "eq": eq, **rest, "trial": tried,
        "left_out": left_out,
    }  # fmt: skip


def _values(settings: Settings) -> dict[str, Any]:
    """What is set, by name and unit; a word that stands for an amount has none."""
    found: dict[str, Any] = {}
    for key, form in forms(type(settings)).items():
        value = getattr(settings, key)
        if isinstance(value, Settings):
            found[key] = _values(value)
        elif isinstance(form, Amount) and isinstance(value, int | float):
            found[key + SUFFIXES.get(next(iter(form.quantity.powers), ""), "")] = value
        elif value is not None and key not in ("name", "bypass"):
            found[key] = value
    return found


def notes(scouting: Scouting) -> Iterator[str]:
    """What the findings alone do not tell: why there are none, what was not looked for."""
    measured, path = scouting.heard.measurement, scouting.path
    if scouting.unheard:
        yield f"{path} {scouting.unheard}: there is nothing to find"
        return
    strange = cautions.of_scale(measured.sample_peak_dbfs, measured.clipped_runs)
    if strange:
        yield f"{path}: {strange}"
    if measured.clipped_runs:
        where = f"{measured.clipped_runs} times, first at {measured.first_clipped_seconds:.1f} s"
        yield f"{path} is clipped {where}: some of what stands out may be distortion"
    if has_offset(scouting):
        told = f"{measured.dc_offset:.2g}, {100.0 * offset_share(scouting):.0f} % of its peak"
        yield f"{path} has a DC offset of {told}: a high-pass takes it away"
    if scouting.rate < LOWEST_RATE:
        least = FREQUENCY.format(LOWEST_RATE)
        yield f"below a sample rate of {least} neither sibilance nor a de-esser is looked for"
    backing = scouting.backing
    if backing is not None and backing.silent:
        yield f"{backing.path} is silent where {path} sounds: it hides nothing"
    elif backing is not None:
        source = doubts.Extent(measured.seconds, measured.channels)
        yield from doubts.of_backing(backing.extent, source, ": it counts as silent from there on")
