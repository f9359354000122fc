"""Find trouble frequencies in a source, hear them, get a starting chain.

Resonances that stay whatever is sung, mains hum, thumps, mud, boxiness, harshness, air, the edge
of the sibilance, the attack of percussive sources. Findings with a confidence below one half are
hints. With a backing, findings are ranked by whether they still matter in the mix.
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from chainkit.cli.options import add_force, add_json, quantity
from chainkit.cli.outputs import add_plot, checked_outputs
from chainkit.errors import UsageError
from chainkit.units import FREQUENCY, GAIN, TIME

if TYPE_CHECKING:
    from chainkit.scout import Finding, Scouting
    from chainkit.scout.sweeps import Glide

BETWEEN = ".."
GLIDE_LOW, GLIDE_HIGH = 20.0, 20e3  # Hz


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's options."""
    parser.add_argument("voice", metavar="VOICE", help="sound file to look into: any source")
    parser.add_argument(
        "--backing", metavar="FILE", help="the rest of the mix, starting at the same instant"
    )
    parser.add_argument("--write", metavar="CHAIN.yaml", help="write a starting chain")
    parser.add_argument(
        "--sweeps", metavar="DIR", help="write a short sound file for each finding into a folder"
    )
    parser.add_argument(
        "--glide",
        type=glide_range,
        metavar="LOW..HIGH",
        help="with --sweeps: also a narrow boost that glides, e.g. '150 Hz..2 kHz'",
    )
    parser.add_argument(
        "--boost",
        type=quantity(GAIN, 0.0, 18.0),
        metavar="GAIN",
        help='boost of the glide (default "12 dB")',
    )
    parser.add_argument(
        "--seconds",
        type=quantity(TIME, 1.0, 300.0),
        metavar="TIME",
        help='length of the glide (default "20 s")',
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
    from chainkit.cli import show
    from chainkit.scout import scout_file

    glide = wanted_glide(arguments)
    sources = [path for path in (arguments.voice, arguments.backing) if path]
    checked_outputs((arguments.write, arguments.plot), sources, arguments.force)
    readers = [AudioReader(path) for path in sources]
    if glide is not None:
        check_glide(glide, readers[0].rate)
    frames = readers[0].frames + sum(reader.frames for reader in readers)
    with show.progress("listening", frames) as progress:
        scouting = scout_file(arguments.voice, arguments.backing, progress)
    written = write(arguments, scouting, glide)
    if arguments.json:
        import json

        print(json.dumps(as_object(scouting), indent=2, ensure_ascii=False, allow_nan=False))
    else:
        print_scouting(scouting)
        for path in written:
            print(f"wrote {path}")
    if scouting.silent:
        show.note(f"{arguments.voice} is silent: there is nothing to find")
    if arguments.sweeps and written:
        from chainkit.scout.sweeps import CAUTION

        show.note(CAUTION)
    return 0


def wanted_glide(arguments: argparse.Namespace) -> Glide | None:
    """The glide that was asked for."""
    from chainkit.scout.sweeps import Glide

    if arguments.glide is None:
        for option in ("boost", "seconds"):
            if getattr(arguments, option) is not None:
                raise UsageError(f"--{option} needs --glide LOW..HIGH")
        return None
    if arguments.sweeps is None:
        raise UsageError("--glide needs --sweeps DIR to write to")
    asked = {"boost": arguments.boost, "seconds": arguments.seconds}
    given = {key: value for key, value in asked.items() if value is not None}
    return Glide(*arguments.glide, **given)


def check_glide(glide: Glide, rate: int) -> None:
    """Raise unless the glide stays below half the sample rate."""
    highest = max(glide.low, glide.high)
    if highest >= rate / 2.0:
        told = f"{FREQUENCY.format(highest)} is not below half the sample rate"
        raise UsageError(f"--glide: {told} ({rate} Hz → {FREQUENCY.format(rate / 2.0)})")


def write(arguments: argparse.Namespace, scouting: Scouting, glide: Glide | None) -> list[Path]:
    """Write what was asked for; returns the paths."""
    written = []
    if arguments.write:
        from chainkit.scout.chainfile import propose, write_proposal

        write_proposal(propose(scouting), arguments.write, arguments.force)
        written.append(Path(arguments.write))
    if arguments.sweeps:
        written += _sweeps(arguments, scouting, glide)
    if arguments.plot:
        from chainkit.pages.scout_plot import draw_scouting

        draw_scouting(scouting, arguments.plot, arguments.force)
        written.append(Path(arguments.plot))
    return written


def _sweeps(arguments: argparse.Namespace, scouting: Scouting, glide: Glide | None) -> list[Path]:
    from chainkit.audio.atomic import cannot_write
    from chainkit.errors import OutputError
    from chainkit.scout.sweeps import write_sweeps

    folder = Path(arguments.sweeps)
    try:
        folder.mkdir(exist_ok=True)
    except FileExistsError:
        raise OutputError(f"{folder} is a file; name a folder") from None
    except OSError as fault:
        raise cannot_write(folder, fault) from fault
    return write_sweeps(scouting, folder, glide, arguments.force)


def as_object(scouting: Scouting) -> dict[str, Any]:
    """What was found and the de-esser settings that follow, as plain values."""
    from chainkit.scout.deessing import deessing

    settings = deessing(scouting)
    return scouting.as_dict() | {"deess": settings.as_dict() if settings else None}


def print_scouting(scouting: Scouting) -> None:
    """Print a row for each finding, and the bands in which the backing hides the voice."""
    from chainkit.cli import show
    from chainkit.scout.mix import hidden

    if not scouting.findings:
        print("nothing was found")
    else:
        show.table("", headers(scouting), [row(found, scouting) for found in scouting.findings])
    print_deessing(scouting)
    if scouting.bands is not None:
        names = [FREQUENCY.format(band.frequency_hz) for band in hidden(list(scouting.bands))]
        print(f"\nhidden by the backing: {', '.join(names) if names else 'no band'}")


def print_deessing(scouting: Scouting) -> None:
    """Print the de-esser settings that follow from the sibilants."""
    from chainkit.scout.deessing import deessing

    found = deessing(scouting)
    if found is not None:
        edge, working = FREQUENCY.format(found.frequency_hz), found.working_level_lufs
        threshold = f"threshold −{-found.threshold_db:.0f} dB at −{-working:.0f} LUFS"
        print(f"\nde-ess from {edge}, {threshold}, range {found.range_db:.0f} dB")


def headers(scouting: Scouting) -> tuple[str, ...]:
    """Columns of the table of findings."""
    columns = ("finding", "frequency, Hz", "Q", "prominence, dB", "share", "confidence", "gain, dB")
    return columns if scouting.bands is None else (*columns, "clear of backing")


def row(found: Finding, scouting: Scouting) -> tuple[object, ...]:
    """Cells of one finding."""
    cells = (
        found.kind,
        f"{found.frequency_hz:.0f}",
        found.q,
        found.prominence_db,
        found.share,
        found.confidence,
        found.gain_db,
    )
    return cells if scouting.bands is None else (*cells, found.clear)
