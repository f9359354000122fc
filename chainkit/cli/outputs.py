"""What a command will write, looked at before it works: late faults leave half of the files."""

from __future__ import annotations

import argparse
import os
from collections.abc import Iterable

from chainkit.errors import ExistsError, UsageError

PLOTS = (".png", ".svg", ".pdf")


def add_plot(parser: argparse.ArgumentParser, about: str) -> None:
    """Add ``--plot``."""
    parser.add_argument(
        "--plot", type=plot_file, metavar="FILE.png", help=f"{about} (.png, .svg or .pdf)"
    )


def plot_file(text: str) -> str:
    """Type of an option that takes the name of a picture."""
    if os.path.splitext(text)[1].lower() not in PLOTS:
        raise argparse.ArgumentTypeError(f"{text} does not end in {', '.join(PLOTS)}")
    return text


def checked_outputs(
    outputs: Iterable[str | None], inputs: Iterable[str], force: bool = False
) -> list[str]:
    """Those of `outputs`, none of them a sound, that were asked for.

    Raises
    ------
    UsageError
        Two of them are one file, or one is named as a sound file.
    OutputError
        One is an input, a sound file or a folder, or is there already and may not be replaced.
    """
    from chainkit.audio.atomic import refuse_folder, refuse_same, refuse_sound

    asked = [path for path in outputs if path]
    places = [os.path.realpath(path) for path in asked]
    sources = list(inputs)
    for path, place in zip(asked, places, strict=True):
        if places.count(place) > 1:
            raise UsageError(f"two outputs name one file, {path}")
        for source in sources:
            refuse_same(source, path)
        refuse_sound(path)
        refuse_folder(path)
        if os.path.exists(place) and not force:
            raise ExistsError(f"{path} exists already")
    return asked
