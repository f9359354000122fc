"""Writes the starting chain as a chain file that explains itself."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from chainkit.audio.atomic import atomic_file
from chainkit.chain import Chain, parse_chain
from chainkit.chain.walk import shown
from chainkit.dsp.phrases import HopMeter
from chainkit.dsp.sibilance import SibilantDetector
from chainkit.errors import AudioFileError
from chainkit.scout.analyse import Scouting
from chainkit.scout.deessing import RATIO, WORKING_LEVEL, deessing, trim, unneeded
from chainkit.scout.findings import Finding
from chainkit.scout.proposal import Move, Plan, Values, hertz, plan
from chainkit.stages.base import Amount, Settings, forms
from chainkit.stages.compress import Compress
from chainkit.stages.deess import Deess
from chainkit.units import FREQUENCY

# Further reduction in dB, and factor on the lower edge, tried one after the other.
TRIES = ((0.0, 1.0), (1.0, 0.9), (2.0, 0.8), (3.0, 0.7), (4.0, 0.6))
LEAST_CALMER = 0.5  # dB by which the sibilance index must fall
TRIED, LEAD = 30.0, 2.0  # seconds that are tried, and of them ahead of the first sibilant
COMPRESS_RATIO = 2.5
ABOVE_COMPRESS = 4.0  # dB of the loudest twentieth above the threshold
SOUNDING = 0.01  # of the mean power
MISSED = 20.0  # dB below its loudness: no level of a source, which sounds elsewhere
BLOCK = 65536  # frames

COMMENT = "        # "

HEAD = """\
chainkit: 1
name: Start for {name}
notes: |
  Where to begin, from what was found in {name}.
  Listen with and without each band. Halve what you do not hear; what is right alone may be too
  much in the mix.

# The source is trimmed to this loudness first, so that the thresholds below fit it. It is that of
# the presets, so theirs can be compared.
working_level: {level:g} LUFS

{left_out}stages:
"""

DEESS = """\
  # The middle one of this voice's {count} sibilants carries its energy above {edge}; the band
  # starts lower, in its flank. Behind the EQ, so that it hears the hiss as the EQ leaves it.
"""

COMPRESS = """\
  # Behind the EQ, so that it levels what will be heard and not what was taken out.
"""


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
    """

    moves: tuple[Move, ...]
    left_out: tuple[tuple[Finding, str], ...]
    text: str
    chain: Chain


def propose(scouting: Scouting) -> Proposal:
    """A starting chain for a source.

    The de-esser is set from the levels of the sibilants, then tried on some seconds of the source,
    and deepened and widened until their loudness against the rest of the voice has fallen.

    Raises
    ------
    AudioFileError
        The source is silent.
    """
    if scouting.unheard:
        told = f"{scouting.path} {scouting.unheard}"
        raise AudioFileError(f"{told}: there is nothing to make a chain from")
    chosen = _with_sibilance(plan(scouting), scouting)
    sample = _sample(scouting)
    before = _sibilance_index(sample, scouting.rate)
    for deeper, lower in TRIES:
        proposal = _proposal(scouting, chosen, deeper, lower)
        if before is None or "deess" not in {stage.kind for stage in proposal.chain.stages}:
            break
        processed = proposal.chain.process(sample, scouting.rate).audio
        after = _sibilance_index(processed, scouting.rate)
        if after is None or after < before - LEAST_CALMER:
            break
    return proposal


def _with_sibilance(chosen: Plan, scouting: Scouting) -> Plan:
    """`chosen`, with sibilance that needs no de-esser among what is left out."""
    reason = unneeded(scouting)
    found = [(one, reason) for one in scouting.findings if reason and one.kind == "sibilance"]
    return replace(chosen, left_out=(*chosen.left_out, *((one, why or "") for one, why in found)))


def _proposal(scouting: Scouting, chosen: Plan, deeper: float, lower: float) -> Proposal:
    left_out = _left_out(chosen)
    text = "".join(
        (
            HEAD.format(name=_plain(scouting.path.name), level=WORKING_LEVEL, left_out=left_out),
            _eq(chosen.moves),
            _deess(scouting, chosen.moves, deeper, lower),
            _compress(scouting, chosen.moves),
        )
    )
    chain = parse_chain(text, "the starting chain")
    chain.check(scouting.rate)
    return Proposal(chosen.moves, chosen.left_out, text, chain)


def _sample(scouting: Scouting) -> Values:
    """Some seconds from shortly before the first sibilant, (frames, 1)."""
    heard, rate = scouting.heard, scouting.rate
    events = heard.measurement.sibilants
    first = round((events[0].start - LEAD) * rate) if events else 0
    last = len(heard.excerpt) - round(TRIED * rate)
    start = max(0, min(first, last))
    return np.ascontiguousarray(heard.excerpt[start : start + round(TRIED * rate), None])


def _sibilance_index(x: Values, rate: int) -> float | None:
    detector = SibilantDetector(rate, x.shape[1])
    detector.add(x)
    return detector.finish().index_db


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
    """A file's name in what a plain scalar may hold."""
    kept = "".join(c if c.isalnum() or c in " ._-" else "_" for c in name)
    return kept.strip() or "source"


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


def _deess(scouting: Scouting, chosen: Sequence[Move], deeper: float, lower: float) -> str:
    found = deessing(scouting, chosen, deeper, lower)
    if found is None:
        return ""
    edge = FREQUENCY.format(10.0 * round((scouting.sibilance_edge_hz or 0.0) / 10.0))
    reduction, level = found.reduction_db, scouting.heard.measurement.sibilants_median_db or 0.0
    rows = (
        ("frequency", FREQUENCY.format(found.frequency_hz), ""),
        (
            "threshold",
            f"{_held(Deess, 'threshold', found.threshold_db):.0f} dB",
            f"{found.above_db:.0f} dB below the level of the middle sibilant there",
        ),
        ("ratio", f"{RATIO:g}:1", f"so the middle sibilant comes down by about {reduction:.0f} dB"),
        ("range", f"{found.range_db:.0f} dB", "no more, or a lisp is heard"),
        ("attack", "1 ms", "sibilants start fast"),
        ("release", "60 ms", "and the vowel behind must not be dulled"),
    )
    need = (
        f"  # They lie {-level:.0f} dB below the voice: the louder they are, the more is taken.\n"
    )
    intro = DEESS.format(count=len(scouting.heard.hisses), edge=edge)
    return intro + need + _stage("deess", rows) + "\n"


def _compress(scouting: Scouting, chosen: Sequence[Move]) -> str:
    """Threshold from the levels of the 10 ms in which the source sounds behind the EQ."""
    hops = _hops(scouting, chosen)
    sounding = hops[hops > SOUNDING * hops.mean()]
    power = np.percentile(sounding, 95.0) if sounding.size else 0.0
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
    return COMPRESS + _stage("compress", rows)


def _held(kind: type[Settings], key: str, value: float) -> float:
    """`value`, or the nearest one that the setting may hold."""
    form = forms(kind)[key]
    return min(max(value, form.low), form.high) if isinstance(form, Amount) else value


def _stage(kind: str, rows: Sequence[tuple[str, str, str]]) -> str:
    """A stage's settings, key, value and comment each, the comments below one another."""
    width = max(len(f"{key}: {value}") for key, value, _ in rows)
    lines = [f"  - {kind}:"]
    for key, value, comment in rows:
        setting = f"{key}: {value}"
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
