"""Options that several commands share."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from chainkit.errors import UsageError
from chainkit.units import Quantity

if TYPE_CHECKING:
    from chainkit.chain import Chain


def quantity(kind: Quantity, low: float, high: float) -> Callable[[str], float]:
    """Type of an option that takes a quantity with its unit, within bounds in base units."""

    def read(text: str) -> float:
        try:
            value = kind.parse(text, low, high)
        except ValueError as fault:
            raise argparse.ArgumentTypeError(f"{text!r} {fault}") from None
        if not low <= value <= high:
            bounds = f"{kind.format(low)} and {kind.format(high)}"
            raise argparse.ArgumentTypeError(f"{text!r} is not between {bounds}")
        return value

    return read


def whole_number(low: int, high: int) -> Callable[[str], int]:
    """Type of an option that takes a whole number within bounds."""

    def read(text: str) -> int:
        if not text.isdecimal() or not low <= int(text) <= high:
            raise argparse.ArgumentTypeError(f"{text!r} is not a whole number from {low} to {high}")
        return int(text)

    return read


def add_force(parser: argparse.ArgumentParser) -> None:
    """Add ``--force``."""
    parser.add_argument("--force", action="store_true", help="replace files that are there already")


def add_json(parser: argparse.ArgumentParser, default: Any = False) -> None:
    """Add ``--json``."""
    parser.add_argument(
        "--json", action="store_true", default=default, help="print the result as JSON"
    )


def add_backing(parser: argparse.ArgumentParser) -> None:
    """Add ``--backing``."""
    parser.add_argument(
        "--backing",
        metavar="FILE",
        help="the rest of the mix, without the voice, starting at the same instant",
    )


def add_chain(parser: argparse.ArgumentParser) -> None:
    """Add ``--chain``, ``--set`` and ``--order``."""
    parser.add_argument(
        "--chain", required=True, metavar="FILE", help="chain file, or the name of a preset"
    )
    parser.add_argument(
        "--set",
        action="append",
        default=[],
        metavar="STAGE.KEY=VALUE",
        help="change one value: deess.threshold=-36dB, eq.bands.2.gain=3dB (bands count from 1), "
        "working_level=-20LUFS or none; may be repeated",
    )
    parser.add_argument(
        "--order",
        metavar="NAMES",
        help="put the stages in another order, names with commas: deess,compress,eq",
    )


def read_chain(arguments: argparse.Namespace) -> Chain:
    """The chain that `add_chain`'s options ask for.

    Raises
    ------
    UsageError
        There is no such chain, it has a fault, or a change or an order does not fit it.
    """
    from chainkit.chain.document import Place
    from chainkit.chain.reading import find_chain

    chain = find_chain(arguments.chain)
    changed: set[str] = set()
    for change in arguments.set:
        path, equals, text = change.partition("=")
        if not equals:
            raise UsageError(f"--set {change!r}: write STAGE.KEY=VALUE, e.g. compress.ratio=4:1")
        path = path.strip()
        if path in changed:
            raise UsageError(f"--set {path} is given twice; leave one")
        changed.add(path)
        place = Place(f"--set {path}")
        chain = chain.with_value(path, text.strip(), place)
    if arguments.order is not None:
        chain = chain.reordered(name.strip() for name in arguments.order.split(","))
    return chain
