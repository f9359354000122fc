"""Find trouble frequencies in a source, hear them, get a starting chain.

Resonances that stay whatever is sung or played, mains hum, steady tones, rumble, mud, boxiness,
harshness, air, the edge of the sibilance, the attack of percussive sources. Findings with a
confidence below one half are hints. With a backing, findings are ranked by whether they still
matter in the mix.
"""

from __future__ import annotations

import argparse
import os
import shutil
import textwrap
from collections.abc import Mapping
from contextlib import nullcontext
from pathlib import Path
from typing import TYPE_CHECKING

from chainkit.cli import show
from chainkit.cli.options import add_backing, add_force, add_json, quantity
from chainkit.cli.outputs import add_plot, checked_outputs
from chainkit.errors import UsageError
from chainkit.units import FREQUENCY, GAIN, LOUDNESS, TIME

if TYPE_CHECKING:
    from chainkit.scout import Finding, Scouting
    from chainkit.scout.chainfile import Proposal
    from chainkit.scout.sweeps import Glide

BETWEEN = ".."
WIDEST = 100  # characters of a line of text
HINT = 0.49  # greatest confidence that is printed of a hint, to two decimals
GLIDE_LOW, GLIDE_HIGH = 20.0, 20e3  # Hz


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's options."""
    parser.add_argument("voice", metavar="VOICE", help="sound file to look into: any source")
    add_backing(parser)
    parser.add_argument("--write", metavar="CHAIN.yaml", help="write the starting chain")
    parser.add_argument(
        "--sweeps",
        metavar="DIR",
        help="write a short sound file for each of the first 12 findings into a folder: the "
        "loudest 4 s as they are, pushed up by 9 dB, and with the proposed change; sweeps.csv "
        "lists the parts",
    )
    parser.add_argument(
        "--glide",
        type=glide_range,
        metavar="LOW..HIGH",
        help="with --sweeps: also a narrow boost (Q 8) that glides over the loudest 4 s, again and "
        "again, e.g. '150 Hz..2 kHz'",
    )
    parser.add_argument(
        "--boost",
        type=quantity(GAIN, 0.0, 18.0),
        metavar="GAIN",
        help='boost of the glide, 0 to 18 dB (default "12 dB")',
    )
    parser.add_argument(
        "--length",
        type=quantity(TIME, 1.0, 300.0),
        metavar="TIME",
        help='length of the glide, 1 to 300 s (default "20 s")',
    )
    add_plot(parser, "draw spectrum, findings and proposed EQ")
    add_force(parser)
    add_json(parser)


def glide_range(text: str) -> tuple[float, float]:
    """Type of an option that takes two frequencies, ``150 Hz..2 kHz``."""
    low, dots, high = text.partition(BETWEEN)
    if not dots:
        raise argparse.ArgumentTypeError(f"{text!r}: write two frequencies, e.g. '150 Hz..2 kHz'")
    hertz = quantity(FREQUENCY, GLIDE_LOW, GLIDE_HIGH)
    return hertz(low.strip()), hertz(high.strip())


def run(arguments: argparse.Namespace) -> int:
    """Look, tell, write what was asked for."""
    from chainkit.audio.reader import AudioReader
    from chainkit.scout import scout_file
    from chainkit.scout.chainfile import propose
    from chainkit.scout.report import as_dict, notes

    glide = wanted_glide(arguments)
    sources = [path for path in (arguments.voice, arguments.backing) if path]
    check_outputs(arguments, sources)
    readers = [AudioReader(path) for path in sources]
    if glide is not None:
        check_glide(glide, readers[0].rate)
    frames = readers[0].frames + sum(reader.frames for reader in readers)
    with show.progress("listening", frames) as progress:
        scouting = scout_file(arguments.voice, arguments.backing, progress)
    proposal = propose(scouting) if arguments.write or not scouting.silent else None
    written = write(arguments, scouting, proposal, glide)
    if arguments.json:
        show.json(as_dict(scouting, proposal, written))
    else:
        print_scouting(scouting, proposal)
        print_written(written)
    for message in notes(scouting):
        show.note(message)
    if arguments.sweeps:
        tell_of_sweeps(scouting, written, glide)
    return 0


def check_outputs(arguments: argparse.Namespace, sources: list[str]) -> None:
    """Raise, before there is work, where an output cannot be written."""
    checked_outputs((arguments.write, arguments.plot), sources, arguments.force)
    if not arguments.sweeps:
        return
    from chainkit.scout.sweeps import NAMES, refuse_sweeps

    refuse_sweeps(Path(arguments.sweeps), sources, arguments.force)
    folder = os.path.realpath(arguments.sweeps)
    for path in filter(None, (arguments.write, arguments.plot)):
        place = os.path.realpath(path)
        within = os.path.dirname(place) == folder and NAMES.fullmatch(os.path.basename(place))
        if place == folder or within:
            raise UsageError(f"two outputs name one file, {path}")


def wanted_glide(arguments: argparse.Namespace) -> Glide | None:
    """The glide that was asked for."""
    from chainkit.scout.sweeps import Glide

    if arguments.glide is None:
        for option in ("boost", "length"):
            if getattr(arguments, option) is not None:
                raise UsageError(f"--{option} needs --glide LOW..HIGH")
        return None
    if arguments.sweeps is None:
        raise UsageError("--glide needs --sweeps DIR to write to")
    asked = {"boost": arguments.boost, "seconds": arguments.length}
    given = {key: value for key, value in asked.items() if value is not None}
    return Glide(*arguments.glide, **given)


def check_glide(glide: Glide, rate: int) -> None:
    """Raise unless the glide stays below half the sample rate."""
    highest = max(glide.low, glide.high)
    if highest >= rate / 2.0:
        told = f"{FREQUENCY.format(highest)} is not below half the sample rate"
        raise UsageError(f"--glide: {told} ({rate} Hz → {FREQUENCY.format(rate / 2.0)})")


def write(
    arguments: argparse.Namespace,
    scouting: Scouting,
    proposal: Proposal | None,
    glide: Glide | None,
) -> list[Path]:
    """Write what was asked for, all of it or nothing; returns the paths."""
    from chainkit.audio.atomic import together
    from chainkit.audio.folders import made_folder
    from chainkit.scout.chainfile import write_proposal
    from chainkit.scout.sweeps import earlier_sweeps, remove_sweeps, write_sweeps

    written: list[Path] = []
    folder = Path(arguments.sweeps) if arguments.sweeps else None
    with made_folder(folder) if folder else nullcontext():
        earlier = earlier_sweeps(folder) if folder else set()
        with together():
            if arguments.write and proposal is not None:
                write_proposal(proposal, arguments.write, arguments.force)
                written.append(Path(arguments.write))
            if folder:
                written += write_sweeps(scouting, folder, glide, arguments.force)
            if arguments.plot:
                from chainkit.pages.scout_plot import draw_scouting

                draw_scouting(scouting, proposal, arguments.plot, arguments.force)
                written.append(Path(arguments.plot))
        if folder:
            remove_sweeps(folder, earlier - {path.name for path in written})
    return written


def print_scouting(scouting: Scouting, proposal: Proposal | None) -> None:
    """Print a row for each finding, the chain to start from, what the backing hides."""
    from chainkit.scout.mix import hidden

    if not scouting.findings:
        print("nothing was found")
    else:
        left_out = [found for found, _ in proposal.left_out] if proposal else []
        rows = [row(found, scouting, found in left_out) for found in scouting.findings]
        show.table("", headers(scouting), rows, words=(0, 4))
        print("\nQ: of a bell, for air of a high shelf; dB: height against what is named")
        print("confidence below 0.50: a hint, to be heard")
        if any(found.gain_db is not None and found in left_out for found in scouting.findings):
            print("gain in brackets: the chain leaves it out, see below")
    if proposal is not None:
        print_chain(proposal)
    if scouting.bands is not None:
        names = [FREQUENCY.format(band.frequency_hz) for band in hidden(list(scouting.bands))]
        print(f"\nhidden by the backing: {', '.join(names) if names else 'no band'}")


# Settings of a stage that are worth a look at once; the chain file has the rest.
TOLD = {
    "deess": ("frequency", "sense", "threshold", "ratio", "range"),
    "compress": ("threshold", "ratio", "attack", "release"),
}
WHY_COMPRESS = "Behind the EQ: it levels what will be heard."


def print_chain(proposal: Proposal) -> None:
    """Print the values that a written chain holds, and why."""
    from chainkit.chain.walk import shown
    from chainkit.scout.chainfile import by_reason

    rows = [(move.band.shape, settings(shown(move.band)), move.reason) for move in proposal.moves]
    for stage in proposal.chain.stages:
        if stage.kind in TOLD:
            values = shown(stage)
            told = settings({key: values[key] for key in TOLD[stage.kind]})
            behind = WHY_COMPRESS if proposal.moves else ""
            why = proposal.why_deess if stage.kind == "deess" else behind
            rows.append((stage.kind, told, why))
    level = LOUDNESS.format(proposal.chain.working_level or 0.0).replace("-", show.minus())
    print(f"\nchain to start from, once the source is trimmed to {level}:")
    margin = max(len(kind) for kind, _, _ in rows) + 2
    for kind, told, why in rows:
        print(f"{kind:<{margin}}{told}")
        if why:
            print_wrapped(why, " " * margin)
    for told in by_reason(proposal.left_out):
        print_wrapped(f"left out: {told}", "  ", first="")


def print_wrapped(text: str, margin: str, first: str | None = None) -> None:
    """Print a sentence in lines of at most 100 characters, or as wide as the terminal is."""
    width = min(WIDEST, shutil.get_terminal_size((WIDEST, 24)).columns)
    start = margin if first is None else first
    print(textwrap.fill(text, width, initial_indent=start, subsequent_indent=margin))


def settings(values: Mapping[str, object]) -> str:
    """Settings in one line, as in a chain file."""
    told = [f"{key} {value}" for key, value in values.items() if key != "shape"]
    return ", ".join(told).replace("-", show.minus())


def print_written(written: list[Path]) -> None:
    """Print the paths, and what the sweeps hold."""
    from chainkit.scout.sweeps import GLIDE, INDEX, PHRASE, PUSH

    for path in written:
        print(f"wrote {path}")
    names = {path.name for path in written}
    if INDEX in names:
        heard = f"the loudest {PHRASE:g} s as they are, pushed up by {PUSH:g} dB, with the change"
        print(f"a finding's file: {heard}")
    if GLIDE in names:
        print(f"{GLIDE}: the same {PHRASE:g} s, again and again, under the boost that glides")


def tell_of_sweeps(scouting: Scouting, written: list[Path], glide: Glide | None) -> None:
    """Tell which findings have no file, and to take care."""
    from chainkit.scout.sweeps import INDEX, MOST, audible, caution

    if not any(path.name == INDEX for path in written):
        show.note("no sweeps: nothing was found that a filter would change")
        return
    found = len(audible(scouting))
    if found > MOST:
        show.note(f"{found} findings could be heard; the first {MOST} have a file")
    show.note(caution(glide))


def headers(scouting: Scouting) -> tuple[str, ...]:
    """Columns of the table of findings."""
    columns = ("finding", "Hz", "Q", "dB", "against", "of time", "confidence", "proposed gain, dB")
    return columns if scouting.bands is None else (*columns, "clear")


def row(found: Finding, scouting: Scouting, left_out: bool) -> tuple[object, ...]:
    """Cells of one finding; the gain of one that the chain leaves out stands in brackets."""
    from chainkit.scout.findings import AGAINST, SURE

    hint = found.confidence < SURE
    bracketed = left_out and found.gain_db is not None
    cells = (
        found.kind,
        f"{found.frequency_hz:.0f}",
        found.q,
        found.prominence_db,
        AGAINST[found.kind],
        found.share,
        min(found.confidence, HINT) if hint else found.confidence,
        f"({show.cell(found.gain_db)})" if bracketed else found.gain_db,
    )
    return cells if scouting.bands is None else (*cells, found.clear)
