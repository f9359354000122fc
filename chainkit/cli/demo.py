"""Make an invented demo recording and render it.

The folder then holds a sung voice and a backing that no one ever sang or played, what is true of
them as CSV, a chain with comments, and the voice rendered through it.
"""

from __future__ import annotations

import argparse
import shlex
from pathlib import Path

from chainkit.cli.options import add_force, quantity, whole_number
from chainkit.units import SEEDS, TIME


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's options."""
    parser.add_argument("folder", metavar="DIR", help="folder to fill; made when it is not there")
    parser.add_argument(
        "--length",
        type=quantity(TIME, 3.0, 600.0),
        default=24.0,
        metavar="TIME",
        help='length of the song (default "24 s")',
    )
    parser.add_argument(
        "--register", choices=("low", "high"), default="low", help="of the voice (default low)"
    )
    parser.add_argument(
        "--seed",
        type=whole_number(*SEEDS),
        default=1,
        metavar="N",
        help="another number, another song (default 1)",
    )
    add_force(parser)


def run(arguments: argparse.Namespace) -> int:
    """Make the recording, render it, and say what to do with it."""
    from chainkit.chain import load_chain
    from chainkit.cli.render import print_result
    from chainkit.demo import make_demo
    from chainkit.rendering import Options, render

    paths = make_demo(
        arguments.folder,
        seconds=arguments.length,
        seed=arguments.seed,
        register=arguments.register,
        force=arguments.force,
    )
    rendered = paths.voice.with_name("rendered.wav")
    result = render(paths.voice, load_chain(paths.chain), rendered, Options(force=arguments.force))
    print_result(result)
    print(next_steps(Path(arguments.folder)))
    return 0


STEPS = (
    ("the numbers before and after", "measure {voice} {rendered}"),
    (
        "is the order of the stages right?",
        "compare {voice} --chain {chain} --orders all -o {orders}",
    ),
    ("where does the voice boom or hiss?", "scout {voice}"),
    ("level moves that follow the backing", "ride {voice} --backing {backing} -o {rides}"),
    ("other chains to start from", "presets"),
)
FILES = {
    "voice": "voice.wav",
    "rendered": "rendered.wav",
    "chain": "chain.yaml",
    "backing": "backing.wav",
    "orders": "orders",
    "rides": "voice.rides.csv",
}


def next_steps(folder: Path) -> str:
    """Commands that make sense on the recording in `folder`."""
    names = {key: shlex.quote(str(folder / name)) for key, name in FILES.items()}
    lines = [f"  # {why}\n  chainkit {step.format(**names)}" for why, step in STEPS]
    return "\n".join(["", "next, for example:", *lines])
