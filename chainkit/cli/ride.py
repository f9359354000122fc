"""Write level moves for the ride stage.

Without a backing, phrases are brought toward one loudness; with one, the voice keeps a steady
distance to it as it swells and thins. Moves lie between the phrases, ahead of the phrase that
needs them; breaths, room and bleed are not lifted. Writes RIDES.csv with the columns seconds and
gain_db: a few points, straight lines in dB between them, to edit as you like.
"""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from chainkit import doubts
from chainkit.cli import show
from chainkit.cli.options import add_backing, add_force, add_json, quantity
from chainkit.cli.outputs import add_plot, checked_outputs
from chainkit.errors import UsageError
from chainkit.units import GAIN, SHARE

if TYPE_CHECKING:
    from chainkit.dsp.riding import RideSettings
    from chainkit.rides import Rides


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's options."""
    parser.add_argument("voice", metavar="VOICE", help="sound file of the voice")
    add_backing(parser)
    parser.add_argument(
        "-o", "--output", required=True, metavar="RIDES.csv", help="file to write the moves to"
    )
    parser.add_argument(
        "--amount",
        type=quantity(SHARE, 0.0, 1.0),
        metavar="SHARE",
        help="how much of a phrase's departure from one loudness to take away "
        '(default "60 %%"; "100 %%" with --backing)',
    )
    parser.add_argument(
        "--follow",
        type=quantity(SHARE, 0.0, 1.0),
        metavar="SHARE",
        help='how much of the backing\'s swell to follow (default "100 %%")',
    )
    parser.add_argument(
        "--range",
        type=quantity(GAIN, 0.0, 24.0),
        metavar="GAIN",
        help='greatest move up or down (default "6 dB"; "12 dB" with --backing)',
    )
    add_plot(parser, "draw phrases, breaths, moves and loudness")
    add_force(parser)
    add_json(parser)


def run(arguments: argparse.Namespace) -> int:
    """Find the moves, write them, tell what they do."""
    if arguments.follow is not None and arguments.backing is None:
        raise UsageError("--follow needs --backing FILE: there is nothing to follow")
    from chainkit.audio.atomic import together
    from chainkit.audio.reader import AudioReader
    from chainkit.rides import find_rides, write_rides

    sources = [path for path in (arguments.voice, arguments.backing) if path]
    written = checked_outputs((arguments.output, arguments.plot), sources, arguments.force)
    frames = sum(AudioReader(path).frames for path in sources)
    with show.progress("listening", frames) as progress:
        rides = find_rides(arguments.voice, arguments.backing, settings(arguments), progress)
    with together():
        write_rides(rides, arguments.output, arguments.force)
        if arguments.plot:
            from chainkit.pages.ride_plot import draw_rides

            draw_rides(rides, arguments.plot, force=arguments.force)
    if arguments.json:
        show.json(rides.as_dict())
    else:
        print_rides(rides)
        for path in written:
            print(f"wrote {path}")
    for message in cautions(rides):
        show.note(message)
    return 0


def settings(arguments: argparse.Namespace) -> RideSettings:
    """The settings asked for, defaults filled in."""
    from dataclasses import replace

    from chainkit.rides import ALONE, WITH_BACKING

    asked = {"amount": arguments.amount, "follow": arguments.follow, "reach": arguments.range}
    given = {key: value for key, value in asked.items() if value is not None}
    return replace(WITH_BACKING if arguments.backing else ALONE, **given)


def print_rides(rides: Rides) -> None:
    """Print a row for each phrase, and what the moves do to the whole."""
    show.table("", headers(rides), [row(rides, number) for number in range(len(rides.phrases))])
    print()
    found = {"phrase": rides.phrases, "breath": rides.breaths, "point": rides.points}
    print(", ".join(show.counted(len(those), noun) for noun, those in found.items()))
    before, after = rides.spread
    print(f"phrase-to-phrase spread: {show.cell(before)} LU before, {show.cell(after)} LU after")
    before, after = rides.departure
    if before is not None:
        told = f"{show.cell(before)} LU before, {show.cell(after)} LU after"
        print(f"greatest departure from a steady distance to the backing: {told}")


def headers(rides: Rides) -> tuple[str, ...]:
    """Columns of the table of phrases."""
    columns = ("phrase", "start, s", "end, s", "before, LUFS", "after, LUFS", "move, dB")
    return (*columns, "backing, LUFS") if rides.backing else columns


def row(rides: Rides, number: int) -> tuple[object, ...]:
    """Cells of one phrase."""
    phrase = rides.phrases[number]
    loudness = (phrase.before_lufs, phrase.after_lufs, phrase.gain_db)
    under = (phrase.backing_lufs,) if rides.backing else ()
    return (number + 1, phrase.start, phrase.end, *loudness, *under)


def unridden(rides: Rides) -> str:
    """Where there is sound that is no phrase, and was not lifted."""
    times = [f"{start:.1f} to {end:.1f} s" for start, end in rides.unridden]
    return f"sound taken for neither phrase nor breath is not lifted: {show.shortened(times)}"


def cautions(rides: Rides) -> list[str]:
    """What the user should know."""
    from chainkit.audio.reader import AudioReader

    total, found = len(rides.phrases), [unridden(rides)] if rides.unridden else []
    if rides.backing is not None:
        behind = f", behind {rides.behind} of {show.counted(total, 'phrase')}"
        found += doubts.of_backing(
            AudioReader(rides.backing).extent,
            AudioReader(rides.voice).extent,
            behind if rides.behind else "",
        )
    if rides.alone:
        silent = f"the backing is silent under {rides.alone} of {show.counted(total, 'phrase')}"
        found.append(f"{silent}, which are only brought toward one loudness")
    if rides.at_limit:
        held = f"{rides.at_limit} of {show.counted(total, 'phrase')} are held by the range"
        found.append(f"{held} of {rides.settings.reach:g} dB; --range widens it")
    return found
