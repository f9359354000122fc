"""List preset chains, show one, or copy one to change it.

Presets hold their thresholds at a working level, so they fit a recording of any level.
"""

from __future__ import annotations

import argparse
import os
from pathlib import Path

from chainkit.cli import show
from chainkit.cli.options import add_force, add_json
from chainkit.errors import UsageError
from chainkit.presets import SUFFIXES, preset_names, preset_path

SEPARATORS = tuple(filter(None, (os.sep, os.altsep)))


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's options."""
    actions = parser.add_subparsers(dest="action", metavar="list | show | copy")
    listing = actions.add_parser("list", help="list all presets, as without a word")
    add_json(listing, default=argparse.SUPPRESS)  # or it would undo one ahead of the word
    shown = actions.add_parser("show", help="print a preset's chain file")
    shown.add_argument("name", metavar="NAME")
    copy = actions.add_parser("copy", help="copy a preset to a file or into a folder")
    copy.add_argument("name", metavar="NAME")
    copy.add_argument("to", metavar="TO", help="file to write, or a folder that is there")
    add_force(copy)
    add_json(parser)


def run(arguments: argparse.Namespace) -> int:
    """List, show or copy."""
    if arguments.json and arguments.action in ("show", "copy"):
        raise UsageError(f"{arguments.action} has no --json; presets --json lists all presets")
    if arguments.action == "show":
        print(preset_path(arguments.name).read_text("utf-8"), end="")
    elif arguments.action == "copy":
        print(f"wrote {copy_preset(arguments.name, arguments.to, arguments.force)}")
    else:
        _list(arguments.json)
    return 0


def copy_preset(name: str, to: str, force: bool = False) -> Path:
    """Copy the preset called `name` to a file, or under its own name into a folder that is there.

    Returns
    -------
    Path
        The file written.

    Raises
    ------
    UsageError
        There is no such preset, or `to` is no name for a chain file.
    OutputError
        There is a file already and `force` is not given, or it cannot be written.
    """
    from chainkit.audio.atomic import atomic_file

    source = preset_path(name)
    is_folder = Path(to).is_dir() or to.endswith(SEPARATORS)
    target = Path(to) / source.name if is_folder else Path(to)
    if target.suffix not in SUFFIXES:
        raise UsageError(f"{to} is neither a folder nor named {' or '.join(SUFFIXES)}")
    with atomic_file(target, force=force) as file:
        file.write(source.read_text("utf-8"))
    return target


def _list(is_json: bool) -> None:
    from chainkit.chain.reading import load_preset

    chains = {name: load_preset(name) for name in preset_names()}
    if is_json:
        listed = [
            {"preset": key, "name": chain.name, "notes": chain.notes, "path": chain.file}
            for key, chain in chains.items()
        ]
        show.json(listed)
        return
    width = max(map(len, chains), default=0)
    for key, chain in chains.items():
        print(f"{key:<{width}}  {chain.notes.strip().partition(chr(10))[0]}")
    print("\nchainkit presets show NAME prints one; chainkit presets copy NAME TO copies it.")
