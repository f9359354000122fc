"""Measure sound files: loudness, peaks, levels, spectrum and sibilants, side by side.

Loudness follows ITU-R BS.1770-5, EBU Tech 3341 and Tech 3342; the sibilance index is the loudness
of the sibilants against the rest of the voice. A dash marks a figure that does not exist.
"""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Any

from chainkit.cli import show
from chainkit.cli.options import add_force, add_json
from chainkit.cli.outputs import add_plot, checked_outputs
from chainkit.errors import AudioFileError
from chainkit.pages.levels import LABELS
from chainkit.process import load_numba

if TYPE_CHECKING:
    from chainkit.dsp.meter import Measurement

# EBU Tech 3341 asks for one decimal at most in a display of loudness; these need other numbers.
DECIMALS = {
    "dc_offset": 5,
    "clipped_runs": 0,
    "first_clipped_seconds": 3,
    "sounding_share": 2,
    "sibilants_a_minute": 0,
}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's options."""
    parser.add_argument("files", nargs="+", metavar="FILE", help="sound file")
    parser.add_argument(
        "--fraction",
        type=int,
        choices=(1, 3, 6, 12, 24),
        default=3,
        help="bands of the spectrum in --json: 1/FRACTION octave (default 3)",
    )
    add_plot(parser, "draw spectrum, loudness over time and sibilants")
    parser.add_argument(
        "--timeline",
        metavar="FILE.csv",
        help="write momentary and short-term loudness every 100 ms",
    )
    parser.add_argument("--sibilants", metavar="FILE.csv", help="write each sibilant")
    add_force(parser)
    add_json(parser)


def run(arguments: argparse.Namespace) -> int:
    """Measure, print, write what was asked for."""
    from chainkit.audio.atomic import together
    from chainkit.cautions import of_scale

    asked = (arguments.plot, arguments.timeline, arguments.sibilants)
    written = checked_outputs(asked, arguments.files, arguments.force)
    load_numba()
    measurements = measure(arguments.files)
    with together():
        write(arguments, measurements)
    for name, measured in measurements.items():
        strange = of_scale(measured.sample_peak_dbfs, measured.clipped_runs)
        if strange:
            show.note(f"{name}: {strange}")
    if arguments.json:
        found = [
            {"file": name, **measured.as_dict(arguments.fraction)}
            for name, measured in measurements.items()
        ]
        show.json(found)
        return 0
    show.table("", ("", *measurements), rows(list(measurements.values())))
    for path in written:
        print(f"wrote {path}")
    return 0


def measure(names: list[str]) -> dict[str, Measurement]:
    """Measure each file once, after having looked at all of them.

    Raises
    ------
    AudioFileError
        Names each file that cannot be read.
    """
    from chainkit.audio.reader import AudioReader
    from chainkit.measure import measure_file

    frames, faults = {}, []
    for name in names:
        try:
            frames[name] = AudioReader(name).frames
        except AudioFileError as fault:
            faults.append(str(fault))
    if faults:
        raise AudioFileError("\n".join(faults))
    with show.progress("measuring", sum(frames.values())) as progress:
        return {name: measure_file(name, progress) for name in frames}


def write(arguments: argparse.Namespace, measurements: dict[str, Measurement]) -> None:
    """Write the plot and the tables that were asked for."""
    from chainkit.measure import write_sibilants, write_timeline

    if arguments.timeline:
        write_timeline(arguments.timeline, measurements, arguments.force)
    if arguments.sibilants:
        write_sibilants(arguments.sibilants, measurements, arguments.force)
    if arguments.plot:
        from chainkit.pages.measure_plot import draw_measurements

        draw_measurements(measurements, arguments.plot, arguments.force)


def rows(measured: list[Measurement]) -> list[tuple[str, ...]]:
    """Rows of the table, a column a file."""
    return [
        (label, *(text(getattr(found, key), DECIMALS.get(key, 1)) for found in measured))
        for key, label in LABELS.items()
    ]


def text(value: Any, places: int) -> str:
    """Number with so many decimals; a dash for what does not exist."""
    return "–" if value is None else show.number(value, places)
