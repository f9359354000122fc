"""Print the JSON Schema of a chain file or of a songbook, for editors that complete and check."""

from __future__ import annotations

import argparse

from chainkit.cli import show


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's options."""
    parser.add_argument(
        "document",
        nargs="?",
        choices=("chain", "songbook"),
        default="chain",
        help="which kind of file (default chain)",
    )


def run(arguments: argparse.Namespace) -> int:
    """Print the schema."""
    if arguments.document == "songbook":
        from chainkit.songbook import songbook_schema

        show.json(songbook_schema())
    else:
        from chainkit.chain.schema import chain_schema

        show.json(chain_schema())
    return 0
