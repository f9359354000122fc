"""Compare chains, orders of a chain's stages, or values that vary, at equal loudness.

The folder DIR gets index.html, a listening page that opens from disk, candidates.json,
candidates.csv, a chain file for each candidate, and audio/CANDIDATE.VIEW.wav. The residual in the
table is the power of what differs from the first candidate, once both are equally loud, in dB
against the power of the first.
"""

from __future__ import annotations

import argparse
import math
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from chainkit import doubts
from chainkit.cli import show
from chainkit.cli.options import add_backing, add_force, add_json, quantity, whole_number
from chainkit.errors import ExistsError, OutputError, UsageError
from chainkit.units import LOUDNESS, LOUDNESS_DIFFERENCE

if TYPE_CHECKING:
    from chainkit.compare.candidates import Candidate
    from chainkit.compare.model import Comparison, Request

MARK = "candidates.json"
DEFAULT_SQUEEZE = -9.0  # LUFS
LARGE = 500e6  # bytes of a folder that is worth a word


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's options."""
    parser.add_argument("voice", metavar="VOICE", help="sound file to treat")
    parser.add_argument(
        "--chain",
        action="append",
        required=True,
        metavar="FILE",
        help="chain file or preset; may be repeated",
    )
    parser.add_argument("-o", "--output", required=True, metavar="DIR", help="folder to make")
    parser.add_argument(
        "--orders",
        action="append",
        default=[],
        metavar="ORDER",
        help="all, or stages with commas (deess,compress,eq), those not named keeping their place; "
        "may be repeated",
    )
    parser.add_argument(
        "--pin",
        action="append",
        default=[],
        metavar="NAME",
        help="a stage that keeps its place under --orders all; may be repeated",
    )
    parser.add_argument(
        "--vary",
        action="append",
        default=[],
        metavar="STAGE.KEY=VALUES",
        help="a range (deess.threshold=-40dB..-28dB:2dB) or values with commas; may be repeated",
    )
    parser.add_argument(
        "--untreated", action="store_true", help="add the voice with no stages as a candidate"
    )
    add_backing(parser)
    parser.add_argument(
        "--voice-level",
        type=quantity(LOUDNESS_DIFFERENCE, -40.0, 40.0),
        metavar="LU",
        help='loudness of the voice against the backing, e.g. "-2 LU" (default: as in the files)',
    )
    parser.add_argument(
        "--squeeze",
        nargs="?",
        type=quantity(LOUDNESS, -30.0, -4.0),
        const=DEFAULT_SQUEEZE,
        metavar="LUFS",
        help='also through a stand-in for loud mastering (default target "-9 LUFS")',
    )
    parser.add_argument(
        "--jobs",
        type=whole_number(1, 256),
        metavar="N",
        help="how many candidates to work on at a time (default: as many as cores)",
    )
    add_force(parser)
    add_json(parser)


def run(arguments: argparse.Namespace) -> int:
    """Compare, write the folder, print the table."""
    found = asked_for(arguments)
    target = Path(arguments.output)
    refuse_what_is_there(target, arguments.force)

    from chainkit.audio.reader import AudioReader
    from chainkit.compare.job import compare, steps
    from chainkit.compare.mixing import open_backing
    from chainkit.compare.model import Request

    voice = AudioReader(arguments.voice)
    request = Request(
        arguments.voice,
        found,
        open_backing(arguments.backing, voice) if arguments.backing else None,
        arguments.voice_level,
        arguments.squeeze,
        arguments.jobs,
    )
    _look_for_room(request, target)
    with _appearing(target) as (folder, scratch):
        with show.progress("comparing", steps(request)) as progress:
            comparison = compare(request, folder, scratch, progress)
        write_folder(comparison, folder)
        text = (folder / MARK).read_text(encoding="utf-8")
    if arguments.json:
        print(text, end="")
    else:
        print_comparison(comparison)
        print(f"\nopen {target / 'index.html'} to listen; turn the monitors down first")
    for message in cautions(comparison):
        show.note(message)
    return 0


def asked_for(arguments: argparse.Namespace) -> tuple[Candidate, ...]:
    """The candidates that the options ask for, loaded and checked."""
    from chainkit.chain.reading import find_chain
    from chainkit.compare.candidates import candidates

    if arguments.pin and not arguments.orders:
        raise UsageError("--pin keeps places under --orders all; give that too")
    if arguments.voice_level is not None and not arguments.backing:
        raise UsageError("--voice-level needs --backing FILE")
    return candidates(
        [find_chain(name) for name in arguments.chain],
        orders=arguments.orders,
        pins=arguments.pin,
        vary=arguments.vary,
        untreated=arguments.untreated,
    )


def cautions(comparison: Comparison) -> Iterator[str]:
    """What the user should know before listening."""
    from chainkit.compare.report import notes

    voice, backing = comparison.voice, comparison.request.backing
    if backing is not None:
        early = ": silence counts as the rest of it"
        yield from doubts.of_backing(backing.reader.extent, voice.extent, early)
    if len(comparison.outcomes) == 1:
        yield "one candidate alone, nothing to compare: add --untreated or another --chain"
    for note, names in notes(comparison).items():
        # Names may hold commas; what holds for all needs none.
        some = len(names) < len(comparison.outcomes)
        yield f"{show.shortened(names, between='; ')}: {note}" if some else note


def refuse_what_is_there(target: Path, force: bool) -> None:
    """Look at the folder to write before there is work.

    Raises
    ------
    OutputError
        It is a file, has no place, or holds something that may not be replaced: without `force`
        anything, with it what is no earlier comparison.
    """
    if not target.parent.is_dir():
        raise OutputError(f"{target} cannot be written: there is no folder {str(target.parent)!r}")
    if target.exists() and not target.is_dir():
        raise OutputError(f"{target} is a file; name a folder")
    if target.is_dir() and any(target.iterdir()):
        if not force:
            raise ExistsError(f"{target} exists already")
        if not (target / MARK).is_file():
            raise OutputError(f"{target} holds something else than a comparison; it is kept")


def _look_for_room(request: Request, target: Path) -> None:
    """Tell how large the folder will be, where it is large.

    Raises
    ------
    OutputError
        The disk has no room for it and for the renders that it is made from.
    """
    from chainkit.compare.job import sizes
    from chainkit.pages.listening.parts import OF_AUDIO

    audio, renders = sizes(request)
    whole = audio * (1.0 + OF_AUDIO)
    least = "fewer candidates, a shorter voice or no --squeeze take less"
    free = shutil.disk_usage(target.parent).free
    if whole + renders > free:
        needs = f"needs about {_bytes(whole + renders)} while it is made"
        raise OutputError(f"{target} {needs}, {_bytes(free)} are free; {least}")
    if whole > LARGE:
        meanwhile = f"and {_bytes(renders)} more while it is made"
        show.note(f"{target} will take about {_bytes(whole)}, {meanwhile}; {least}")


def _bytes(size: float) -> str:
    return f"{size / 1e9:.1f} GB" if size >= 1e9 else f"{size / 1e6:.0f} MB"


@contextmanager
def _appearing(target: Path) -> Iterator[tuple[Path, Path]]:
    """A folder that appears at `target` when the block ends well, and one for scratch files."""
    from chainkit.audio.folders import pending_folder

    with pending_folder(target) as pending:
        folder, scratch = pending / "whole", pending / "scratch"
        folder.mkdir()
        scratch.mkdir()
        try:
            yield folder, scratch
        except OutputError as fault:
            # What was being written is no place that the user knows of.
            raise (OutputError.for_want_of(target, fault.why) if fault.why else fault) from fault
        if target.exists():
            shutil.rmtree(target)
        folder.rename(target)


def write_folder(comparison: Comparison, folder: Path) -> None:
    """Write figures, chain files and the listening page."""
    from chainkit.audio.atomic import atomic_file
    from chainkit.chain.text import dump_chain
    from chainkit.compare.report import as_csv_text, as_json_text
    from chainkit.pages.comparison import listening_page
    from chainkit.pages.listening.write import write_listening_page

    (folder / "chains").mkdir()
    for outcome in comparison.outcomes:
        chain = outcome.candidate.chain
        with atomic_file(folder / "chains" / f"{outcome.candidate.slug}.yaml") as file:
            file.write(dump_chain(chain))
    with atomic_file(folder / "candidates.csv") as file:
        file.write(as_csv_text(comparison))
    write_listening_page(folder, listening_page(comparison))
    with atomic_file(folder / MARK) as file:
        file.write(as_json_text(comparison))


def print_comparison(comparison: Comparison) -> None:
    """Print the figures, candidates side by side, and what the stages do to each other."""
    from chainkit.compare.report import figures, sentences, within_uncertainty

    for number, outcome in enumerate(comparison.outcomes, 1):
        twin = f"  (the same as {outcome.same_as})" if outcome.same_as is not None else ""
        print(f"{number:>3}  {outcome.candidate.name}{twin}".replace("−", show.minus()))
    print()
    rows = []
    for figure in figures(comparison):
        cells = []
        for outcome in comparison.outcomes:
            same = within_uncertainty(figure, outcome, comparison.first)
            cells.append(_cell(figure.of(outcome)) + (" ≈" if same else ""))
        rows.append((f"{figure.label}, {figure.unit}", *cells))
    numbers = [str(number) for number in range(1, len(comparison.outcomes) + 1)]
    show.table("", ("figure", *numbers), rows)
    if len(comparison.outcomes) > 1:
        print("\n≈ differs from the first candidate by less than the measure's own uncertainty")
    if comparison.first.views["voice"].loudness is None:
        print("the voice has no loudness (below -70 LUFS, or too short): nothing was matched")
    for sentence in sentences(comparison)[:6]:
        print(sentence)


def _cell(value: float | None) -> str:
    """Text of a figure; of equal signals there is no residual."""
    return "none" if value == -math.inf else show.cell(value)
