"""Validate chain files, print what they resolve to, draw their curves.

Every file is checked, and all of its faults are told. Exit code 2 when a file has a fault.
"""

from __future__ import annotations

import argparse
import sys
from typing import TYPE_CHECKING

from chainkit.cli import show
from chainkit.cli.options import add_force, find_chain, quantity
from chainkit.cli.outputs import add_plot
from chainkit.errors import ChainkitError, UsageError
from chainkit.units import FREQUENCY

if TYPE_CHECKING:
    from chainkit.chain import Chain


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's options."""
    parser.add_argument("chains", nargs="+", metavar="CHAIN", help="chain file or preset")
    add_plot(parser, "draw EQ response, static curves and split of one chain")
    parser.add_argument(
        "--rate",
        type=quantity(FREQUENCY, 8e3, 384e3),
        default=48000.0,
        metavar="RATE",
        help='sample rate to check against and to draw at (default "48 kHz")',
    )
    add_force(parser)
    parser.add_argument("--json", action="store_true", help="print the resolved chains as JSON")


def run(arguments: argparse.Namespace) -> int:
    """Check each file; print the resolved chains."""
    if arguments.plot and len(arguments.chains) > 1:
        raise UsageError("--plot draws one chain; name one")
    rate = round(arguments.rate)
    chains, worst = _checked(arguments.chains, rate)
    if arguments.json:
        import json

        print(json.dumps([chain.as_dict() for chain in chains], indent=2, ensure_ascii=False))
    else:
        _print(chains)
    if arguments.plot and chains:
        from chainkit.pages.curves import draw_chain

        draw_chain(chains[0], rate, arguments.plot, force=arguments.force)
        print(f"wrote {arguments.plot}", file=sys.stderr if arguments.json else sys.stdout)
    return worst


def _checked(names: list[str], rate: int) -> tuple[list[Chain], int]:
    """The chains without fault, and the exit code; faults are printed as they are found."""
    chains, worst = [], 0
    for name in names:
        try:
            chain = find_chain(name)
            chain.check(rate)
            chains.append(chain)
        except ChainkitError as fault:
            show.note(str(fault))
            worst = max(worst, fault.exit_code)
    return chains, worst


def _print(chains: list[Chain]) -> None:
    from chainkit.chain import dump_chain

    for number, chain in enumerate(chains):
        if len(chains) > 1:
            print(f"{'' if number == 0 else chr(10)}# {chain.source}")
        print(dump_chain(chain), end="")
