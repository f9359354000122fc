"""What lies in the output folder that no voice has any use for."""

from __future__ import annotations

import os
from pathlib import Path

from chainkit.audio.leftovers import remove_ended
from chainkit.songbook import naming
from chainkit.songbook.model import Songbook


def remove_leftovers(book: Songbook) -> None:
    """Remove what a killed run left unfinished."""
    for folder in {book.output, *(voice.output.parent for voice in book.voices)}:
        remove_ended(folder)


def left_behind(book: Songbook) -> list[Path]:
    """Outputs of voices that the songbook has no more, as paths without ending; they are kept.

    A recall sheet marks them, since only the songs of a songbook have one.
    """
    kept = {_key(voice.output.with_name(voice.output.stem)) for voice in book.voices}
    sheets = book.output.glob(f"{naming.any_output(book.naming)}{naming.SHEET}")
    found = [sheet.with_name(sheet.name.removesuffix(naming.SHEET)) for sheet in sheets]
    return sorted(output for output in found if _key(output) not in kept)


def _key(path: Path) -> str:
    """What tells outputs apart, also where a file system does not tell case apart."""
    return os.path.abspath(path).casefold()
