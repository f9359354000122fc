"""Print the JSON Schema of a chain file or of a songbook, for editors that complete and check."""

from __future__ import annotations

import argparse
import json


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

        print(json.dumps(songbook_schema(), indent=2))
    else:
        from chainkit.chain.schema import chain_schema

        print(json.dumps(chain_schema(), indent=2))
    return 0
