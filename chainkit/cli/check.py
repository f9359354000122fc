"""Validate chain files, print what they resolve to, draw their curves.

Every file is checked, and all of its faults are told. Exit code 2 when a file has a fault. A
songbook is checked as one, with the chains that it names and what each song changes in them. What
changes nothing, such as a chain without stages, a ratio of 1:1 or a threshold above full scale, is
no fault and is named; so is a chain whose EQ, gains and makeup together can raise anything by more
than 24 dB.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any, NamedTuple

from chainkit.cli import show
from chainkit.cli.options import add_force, quantity
from chainkit.cli.outputs import add_plot
from chainkit.errors import ChainFileError, ChainkitError, ExistsError, UsageError
from chainkit.units import FREQUENCY, RATES

if TYPE_CHECKING:
    from chainkit.chain import Chain
    from chainkit.songbook import Songbook
    from chainkit.songbook.model import Voice


class Faultless(NamedTuple):
    """A file without a fault, and what is told of it all the same."""

    name: str
    content: Chain | Songbook
    remarks: list[str]


class Faulty(NamedTuple):
    """A file with its faults."""

    name: str
    fault: ChainkitError


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's options."""
    parser.add_argument("chains", nargs="+", metavar="CHAIN", help="chain file, preset or songbook")
    add_plot(parser, "draw EQ response, static curves and split of one chain")
    parser.add_argument(
        "--rate",
        type=quantity(FREQUENCY, *RATES),
        default=48000.0,
        metavar="RATE",
        help='sample rate to check against and to draw at (default "48 kHz")',
    )
    add_force(parser)
    parser.add_argument(
        "--json", action="store_true", help="print the resolved chains, or their faults, as JSON"
    )


def run(arguments: argparse.Namespace) -> int:
    """Check each file; print the resolved chains."""
    if arguments.plot and len(arguments.chains) > 1:
        raise UsageError("--plot draws one chain; name one")
    rate = round(arguments.rate)
    found, worst = _checked(arguments.chains, rate)
    faultless = [each.content for each in found if isinstance(each, Faultless)]
    if arguments.json:
        show.json([_as_dict(each) for each in found])
    else:
        _print(faultless)
    if arguments.plot and faultless:
        _draw(faultless[0], rate, arguments)
    return worst


def _checked(names: list[str], rate: int) -> tuple[list[Faultless | Faulty], int]:
    """What each file is, and the exit code; faults and remarks are printed as found."""
    found: list[Faultless | Faulty] = []
    worst = 0
    for name in names:
        try:
            good = _check(name, rate)
        except ChainkitError as fault:
            show.note(str(fault))
            worst = max(worst, fault.exit_code)
            found.append(Faulty(name, fault))
        else:
            remarks = list(dict.fromkeys(_remarks(good, rate)))
            found.append(Faultless(name, good, remarks))
            for remark in remarks:
                show.note(remark)
    return found, worst


def _check(name: str, rate: int) -> Chain | Songbook:
    from chainkit.chain.reading import find_chain

    try:
        chain = find_chain(name)
    except ChainFileError:
        # Only a chain file with a fault may be a songbook: chains need not be read twice.
        if _is_songbook(name):
            return _check_songbook(name, rate)
        raise
    chain.check(rate)
    return chain


def _is_songbook(path: str) -> bool:
    """Whether the file is a songbook, perhaps a faulty one, rather than a chain file."""
    from chainkit.chain.document import parse_document, read_text
    from chainkit.chain.reading import is_songbook

    try:
        return is_songbook(parse_document(read_text(path), path))
    except UsageError:
        return False


def _check_songbook(name: str, rate: int) -> Songbook:
    from chainkit.chain.faults import each
    from chainkit.songbook import load_songbook

    book = load_songbook(name)
    each(_refuse_unfit, book.voices)
    for chain in dict.fromkeys(voice.chain for voice in book.voices):
        chain.check(rate)
    return book


def _refuse_unfit(voice: Voice) -> None:
    """Raise the faults of a voice that show before any work is done, each with its place."""
    from chainkit.songbook.work import refuse_unfit

    try:
        refuse_unfit(voice)
    except ExistsError as fault:
        raise voice.places["file"].fault(fault.told) from None


def _remarks(found: Chain | Songbook, rate: int, source: str = "") -> Iterator[str]:
    """What is allowed and seldom meant: what changes nothing, what can become very loud.

    `source` is named in place of the chain's file, where a song has changed the chain.
    """
    from chainkit.chain import Chain

    if not isinstance(found, Chain):
        yield from found.remarks()
        for voice in found.voices:
            own = f"{found.source}: song {voice.number} ({voice.title}), {voice.name}"
            yield from _remarks(voice.chain, rate, own if voice.changes else "")
        return
    if not found.active:
        why = "every stage is bypassed" if found.stages else "no stages"
        but = "" if found.working_level is None else " but for the trim to the working level"
        told = f"{why}: the voice passes unchanged{but}"
        yield f"{source}: {told}" if source else str(found.fault((), told))
    for index, stage in enumerate(found.stages):
        for path, why in () if stage.bypass else stage.remarks():
            yield str(found.fault((index, *path), why))
    yield from _loud(found, rate, source or found.source)


def _loud(chain: Chain, rate: int, source: str) -> Iterator[str]:
    from chainkit.chain.lift import SENSIBLE, greatest_lift

    decibels, frequency = greatest_lift(chain, rate)
    if decibels > SENSIBLE + 0.05:  # a band with the greatest boost is not more than that
        what = "the level" if frequency is None else f"{float(f'{frequency:.3g}'):g} Hz"
        told = f"caution: it can raise {what} by {decibels:.0f} dB, more than {SENSIBLE:g} dB"
        yield f"{source}: {told}; turn the monitors down before playing what it renders"


def _as_dict(found: Faultless | Faulty) -> dict[str, Any]:
    from chainkit.chain import Chain
    from chainkit.chain.faults import as_plain

    if isinstance(found, Faulty):
        return as_plain(found.fault, found.name)
    content = found.content
    content = content.resolved() if isinstance(content, Chain) else content
    return {"file": found.name, **content.as_dict(), "remarks": found.remarks}


def _print(found: list[Chain | Songbook]) -> None:
    from chainkit.chain import Chain
    from chainkit.chain.text import dump_chain

    for number, each in enumerate(found):
        if len(found) > 1:
            print(f"{'' if number == 0 else chr(10)}# {each.source}")
        text = dump_chain(each.resolved()) if isinstance(each, Chain) else _summary(each)
        print(text, end="")


def _summary(book: Songbook) -> str:
    songs, voices = show.counted(len(book.songs), "song"), show.counted(len(book.voices), "voice")
    told = f"a songbook of {songs} and {voices}, without a fault"
    return f"{book.source}: {told}; chainkit songs --dry-run tells what it would render\n"


def _draw(found: Chain | Songbook, rate: int, arguments: argparse.Namespace) -> None:
    from chainkit.chain import Chain
    from chainkit.pages.curves import draw_chain

    if not isinstance(found, Chain):
        raise UsageError(f"--plot draws a chain; {found.source} is a songbook")
    draw_chain(found, rate, arguments.plot, force=arguments.force)
    if not arguments.json:
        print(f"wrote {arguments.plot}")
