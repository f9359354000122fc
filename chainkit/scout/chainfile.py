"""Writes the starting chain as a chain file that explains itself."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from chainkit.audio.atomic import atomic_file
from chainkit.audio.reader import BLOCK
from chainkit.chain import Chain, parse_chain
from chainkit.chain.text import one_line
from chainkit.chain.walk import shown
from chainkit.dsp.levels import sounding
from chainkit.dsp.phrases import HopMeter
from chainkit.errors import AudioFileError
from chainkit.scout.analyse import Scouting
from chainkit.scout.deessing import (
    ATTEMPTS,
    RATIO,
    WORKING_LEVEL,
    Deessing,
    deessing,
    trim,
    unneeded,
)
from chainkit.scout.findings import Finding
from chainkit.scout.proposal import Move, Plan, Values, hertz, plan
from chainkit.scout.trial import STATIC, Sample, Trial
from chainkit.stages.base import Settings, forms
from chainkit.stages.compress import Compress
from chainkit.stages.deess import Deess
from chainkit.stages.forms import Amount
from chainkit.units import FREQUENCY

COMPRESS_RATIO = 2.5
ABOVE_COMPRESS = 4.0  # dB of the loudest twentieth above the threshold
MISSED = 20.0  # dB below its loudness: no level of a source, which sounds elsewhere

COMMENT = "        # "

HEAD = """\
chainkit: 1
name: {title}
notes: |
  Where to begin, from what was found in {name}.
  Listen with and without each band. Halve what you do not hear; what is right alone may be too
  much in the mix.

# The source is trimmed to this loudness first, by its loudest channel, so that the thresholds below
# fit it. It is that of the presets, so theirs can be compared.
working_level: {level:g} LUFS

{left_out}stages:
"""

STATIC_CUT = (
    "whatever was tried took nearly as much elsewhere as in the sibilants, or did not calm them, "
    "so that there is no de-esser"
)
UNHELD = "it would lift the hiss, which no de-esser would hold"

COMPRESS = """\
  # Behind the EQ, so that it levels what will be heard and not what was taken out.
"""
BEHIND = "Behind the EQ, so that it hears the hiss as the EQ leaves it. "


@dataclass(frozen=True)
class Proposal:
    """A starting chain.

    Attributes
    ----------
    moves : tuple of Move
    left_out : tuple of (Finding, str)
        What was found and is not in the EQ, and why.
    text : str
        The chain file.
    chain : Chain
    trial : Trial or None
        What its de-esser did on trial; None where none was tried.
    why_deess : str
        Where its de-esser works, and what that does; empty where there is none.
    """

    moves: tuple[Move, ...]
    left_out: tuple[tuple[Finding, str], ...]
    text: str
    chain: Chain
    trial: Trial | None
    why_deess: str


def propose(scouting: Scouting) -> Proposal:
    """A starting chain for a source.

    The de-esser is set from the levels of the sibilants, then tried on some seconds of the source,
    and changed until their loudness against the rest of the voice has fallen and the rest is left
    alone.

    Raises
    ------
    AudioFileError
        The source is silent.
    """
    if scouting.unheard:
        told = f"{scouting.path} {scouting.unheard}"
        raise AudioFileError(f"{told}: there is nothing to make a chain from")
    chosen = _with_sibilance(plan(scouting), scouting)
    found = deessing(scouting, chosen.moves)
    if found is None:
        return Draft(scouting, chosen).proposal()
    best = _tried(scouting, chosen)
    if best is None:
        return Draft(scouting, _without_deess(chosen, scouting)).proposal()
    return best


def _tried(scouting: Scouting, chosen: Plan) -> Proposal | None:
    """The first attempt that calms the sibilants and leaves the rest alone.

    Else the one that takes least elsewhere, against what it takes in the sibilants; None where even
    that is a static cut. The first of all where there are no sibilants to try it on.
    """
    draft, sample = Draft(scouting, chosen), Sample(scouting)
    tried: list[tuple[float, Proposal]] = []
    for attempt in ATTEMPTS:
        found = deessing(scouting, chosen.moves, attempt)
        if found is None or not sample.hisses:
            return draft.proposal(found)
        trial = sample.tried(draft.proposal(found).chain)
        if trial.calms and trial.selective:
            return draft.proposal(found, trial)
        if trial.calms and trial.share < STATIC:
            tried.append((trial.share, draft.proposal(found, trial)))
    return min(tried, key=lambda one: one[0])[1] if tried else None


def _with_sibilance(chosen: Plan, scouting: Scouting) -> Plan:
    """`chosen`, with sibilance that needs no de-esser among what is left out."""
    reason = unneeded(scouting)
    return _leaving(chosen, scouting, "sibilance", reason) if reason else chosen


def _without_deess(chosen: Plan, scouting: Scouting) -> Plan:
    """`chosen` for a voice that no de-esser serves: nor is the hiss lifted then."""
    shelves = [move for move in chosen.moves if move.band.shape == "high_shelf"]
    moves = tuple(move for move in chosen.moves if move not in shelves)
    left = _leaving(replace(chosen, moves=moves), scouting, "sibilance", STATIC_CUT)
    return _leaving(left, scouting, "air", UNHELD) if shelves else left


def _leaving(chosen: Plan, scouting: Scouting, kind: str, reason: str) -> Plan:
    found = [(finding, reason) for finding in scouting.findings if finding.kind == kind]
    return replace(chosen, left_out=(*chosen.left_out, *found))


class Draft:
    """A chain file but for its de-esser."""

    def __init__(self, scouting: Scouting, chosen: Plan) -> None:
        self._scouting, self._chosen = scouting, chosen
        name, left_out = _plain(scouting.path.name), _left_out(chosen)
        self._head = HEAD.format(
            title=one_line(f"Start for {name}"), name=name, level=WORKING_LEVEL, left_out=left_out
        )
        self._eq, self._compress = _eq(chosen.moves), _compress(scouting, chosen.moves)

    def proposal(self, found: Deessing | None = None, trial: Trial | None = None) -> Proposal:
        """The whole of it."""
        deess, why = "", ""
        if found is not None:
            why = _why(self._scouting, found, trial)
            place = BEHIND if self._eq else ""
            deess = _deess(self._scouting, found, trial, f"{why} {place}")
        text = self._head + self._eq + deess + self._compress
        chain = parse_chain(text, "the starting chain")
        chain.check(self._scouting.rate)
        return Proposal(self._chosen.moves, self._chosen.left_out, text, chain, trial, why)


def write_proposal(proposal: Proposal, path: str | Path, force: bool = False) -> None:
    """Write the chain file.

    Raises
    ------
    OutputError
        The file is there already, or cannot be written.
    """
    with atomic_file(path, force) as file:
        file.write(proposal.text)


def _plain(name: str) -> str:
    """A file's name on one line, but for what YAML cannot hold or nobody sees."""
    return "".join(letter if letter.isprintable() else "_" for letter in name)


def _left_out(chosen: Plan) -> str:
    """Comment lines that name what is not in the chain, and why."""
    if not chosen.left_out:
        return ""
    lines = ["# Found, but left out:"]
    for told in by_reason(chosen.left_out):
        lines += textwrap.wrap(told, 100, initial_indent="# - ", subsequent_indent="#   ")
    return "\n".join(lines) + "\n\n"


def by_reason(left_out: Sequence[tuple[Finding, str]]) -> Iterator[str]:
    """What was left out, a text for each reason, each place named once."""
    for reason in dict.fromkeys(reason for _, reason in left_out):
        found = [finding for finding, why in left_out if why == reason]
        names = dict.fromkeys(f"{one.kind} at {hertz(one.frequency_hz)}" for one in found)
        yield f"{', '.join(names)}: {reason}"


def _eq(chosen: Sequence[Move]) -> str:
    if not chosen:
        return ""
    lines = ["  - eq:", "      bands:"]
    for move in chosen:
        values = {"shape": move.band.shape, **shown(move.band)}
        inner = ", ".join(f"{key}: {value}" for key, value in values.items())
        lines += textwrap.wrap(move.reason, 100, initial_indent=COMMENT, subsequent_indent=COMMENT)
        lines.append(f"        - {{{inner}}}")
    return "\n".join(lines) + "\n\n"


def _deess(scouting: Scouting, found: Deessing, trial: Trial | None, why: str) -> str:
    edge = FREQUENCY.format(10.0 * round((scouting.sibilance_edge_hz or 0.0) / 10.0))
    level = scouting.heard.measurement.sibilants_median_db or 0.0
    comment = (
        f"The middle one of this voice's {len(scouting.heard.hisses)} sibilants carries its energy "
        f"above {edge}. {why}The sibilants lie {abs(level):.0f} dB "
        f"{'above' if level > 0.0 else 'below'} the voice: the louder they are, the more is taken."
    )
    shared = found.sense == "share"
    there = "share that the middle sibilant has" if shared else "level of the middle sibilant"
    threshold = round(_held(Deess, "threshold", found.threshold_db))
    above = found.threshold_db + found.above_db - threshold
    takes = f"takes {above * (1.0 - 1.0 / RATIO):.1f} dB from that one"
    tried = f"; on trial {trial.inside_db:.1f} dB from all, on average" if trial else ""
    rows = (
        ("frequency", FREQUENCY.format(found.frequency_hz), ""),
        *([("sense", "share", "vowels are as loud there, but more so below")] * shared),
        ("threshold", f"{threshold} dB", f"{above:.1f} dB below the {there} there"),
        ("ratio", f"{RATIO:g}:1", takes + tried),
        ("range", f"{found.range_db:.0f} dB", "no more, or a lisp is heard"),
        ("attack", "1 ms", "sibilants start fast"),
        ("release", "60 ms", "the vowel behind is soon let go"),
    )
    lines = textwrap.wrap(comment, 100, initial_indent="  # ", subsequent_indent="  # ")
    return "\n".join(lines) + "\n" + _stage("deess", rows) + "\n"


def _why(scouting: Scouting, found: Deessing, trial: Trial | None) -> str:
    """Where a de-esser works, and what it did on trial."""
    flank = found.frequency_hz < (scouting.sibilance_edge_hz or 0.0)
    place = "in the lower flank of the sibilance" if flank else "where the vowels have less"
    words = [f"The band starts {place}."]
    if trial is not None:
        taken = f"{trial.inside_db:.1f} dB from the sibilants, {trial.outside_db:.1f} dB elsewhere"
        words.append(f"On trial it took {taken}.")
        if not trial.selective:
            words.append("That is much elsewhere, where this voice is bright, too: listen there.")
    return " ".join(words)


def _compress(scouting: Scouting, chosen: Sequence[Move]) -> str:
    """Threshold from the levels of the 10 ms in which the source sounds behind the EQ."""
    hops = _hops(scouting, chosen)
    heard = hops[sounding(hops)]
    power = np.percentile(heard, 95.0) if heard.size else 0.0
    loudest = 10.0 * float(np.log10(max(power, 1e-20))) + trim(scouting)
    what = "the loudest twentieth of this source"
    if loudest < WORKING_LEVEL - MISSED:
        loudest, what = WORKING_LEVEL, "the loudness of this source"
    reduction = ABOVE_COMPRESS * (1.0 - 1.0 / COMPRESS_RATIO)
    rows = (
        (
            "threshold",
            f"{_held(Compress, 'threshold', loudest - ABOVE_COMPRESS):.0f} dB",
            f"{ABOVE_COMPRESS:.0f} dB below {what}",
        ),
        (
            "ratio",
            f"{COMPRESS_RATIO:g}:1",
            f"so the loudest parts come down by about {reduction:.0f} dB",
        ),
        ("knee", "6 dB", "no step is heard where it sets in"),
        ("attack", "10 ms", "lets the front of a word or stroke through"),
        ("release", "120 ms", "gone before the next one"),
        ("detector", "rms", "the level over 10 ms, in which the threshold was measured"),
        ("window", "10 ms", ""),
        ("makeup", "match", "as loud as it went in: louder would seem better"),
    )
    return (COMPRESS if chosen else "") + _stage("compress", rows)


def _held(kind: type[Settings], key: str, value: float) -> float:
    """`value`, or the nearest one that the setting may hold."""
    form = forms(kind)[key]
    return min(max(value, form.low), form.high) if isinstance(form, Amount) else value


def _stage(kind: str, rows: Sequence[tuple[str, str, str]]) -> str:
    """A stage's settings, key, value and comment each, the comments below one another."""
    # In quotes, or a reader of YAML 1.1 takes 4:1 for a number in base 60.
    quoted = [f"'{value}'" if key == "ratio" else value for key, value, _ in rows]
    settings = [f"{row[0]}: {value}" for row, value in zip(rows, quoted, strict=True)]
    width = max(map(len, settings))
    lines = [f"  - {kind}:"]
    for setting, (*_, comment) in zip(settings, rows, strict=True):
        lines.append(f"      {setting:<{width}}   # {comment}" if comment else f"      {setting}")
    return "\n".join(lines) + "\n"


def _hops(scouting: Scouting, chosen: Sequence[Move]) -> Values:
    """Mean square in each 10 ms of the loudest channel behind the EQ, thumps and offset with it."""
    sections = [move.band.sections(scouting.rate) for move in chosen]
    meter = HopMeter(scouting.rate, 1, np.concatenate([np.zeros((0, 6)), *sections]))
    excerpt = scouting.heard.excerpt
    for start in range(0, len(excerpt), BLOCK):
        meter.add(np.ascontiguousarray(excerpt[start : start + BLOCK, None]))
    return meter.finish()
