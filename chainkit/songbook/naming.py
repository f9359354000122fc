"""Where the outputs of a songbook go."""

from __future__ import annotations

import glob
import os
import re
from collections.abc import Mapping
from string import Formatter

from chainkit.units import nearest

FOLDER, PATTERN = "rendered", "{title}/{name}"
"""Folder of the outputs and their paths in it, where a songbook says nothing else."""
PLACEHOLDERS = ("record", "number", "title", "role", "name")

OVERVIEW = "overview.html"
"""The page of all songs, at the top of the output folder."""
SHEET = ".recall.html"
"""What stands behind the name of an output in that of its recall sheet; none is longer."""
LONGEST = 255
"""Bytes in a name that the usual file systems take: NAME_MAX of Linux, from memory."""

# What some file system refuses in a name, and what would leave the folder.
_UNSAFE = re.compile(r'[<>:"/\\|?*\x00-\x1f\x7f]')
# What hides a file, or makes it look like an option of a command.
_MISLEADING = re.compile(r"^[-.][-. ]*")
# Names of devices on Windows, whatever ending follows. From memory.
_DEVICE = re.compile(r"(con|prn|aux|nul|com[0-9¹²³]|lpt[0-9¹²³]) *(\.|$)", re.IGNORECASE)


def check_pattern(pattern: str) -> None:
    """Raise ValueError whose message continues ``naming '…' …`` unless `pattern` makes names."""
    try:
        pieces = list(Formatter().parse(pattern))
    except ValueError as fault:
        raise ValueError(f"is not readable ({fault})") from None
    for _, field, form, conversion in pieces:
        if field is not None and (field not in PLACEHOLDERS or form or conversion):
            allowed = ", ".join(f"{{{name}}}" for name in PLACEHOLDERS)
            raise ValueError(f"may hold {allowed}{nearest(field, PLACEHOLDERS)}")
    parts = pattern.split("/")
    if not all(part.strip(" .") for part in parts):
        raise ValueError("has an empty part, or one that leaves the output folder")


def output_name(pattern: str, words: Mapping[str, str]) -> str:
    """Path without ending that `pattern` makes of `words`, each made safe for a file name."""
    return pattern.format(**{name: safe(word) for name, word in words.items()})


def any_output(pattern: str) -> str:
    """Pattern that matches every path that `pattern` makes, and that `pathlib.Path.glob` takes."""
    pieces = Formatter().parse(pattern)
    return "".join(glob.escape(text) + ("*" if field else "") for text, field, _, _ in pieces)


def check_output(name: str, ending: str) -> None:
    """Refuse the name of an output that no folder can hold, or that stands in the way of ours.

    Parameters
    ----------
    name : str
        Path in the output folder, without ending.
    ending : str
        That of the audio.

    Raises
    ------
    ValueError
        Its message continues ``the output '…' …``.
    """
    *folders, last = name.split("/")
    longest = max(ending, SHEET, key=_bytes)
    if any(_bytes(part) > LONGEST for part in (*folders, f"{last}{longest}")):
        room = LONGEST - _bytes(longest)
        raise ValueError(
            f"is too long: a folder takes {LONGEST} bytes of a name, a file {room} ahead of "
            f"{longest}; shorten the title or the name"
        )
    if folders and folders[0].casefold() == OVERVIEW:
        raise ValueError(f"would take the place of {OVERVIEW}, the page of all songs")


def safe(word: str) -> str:
    """`word` as a name that file systems and shells take.

    >>> safe("why/not?"), safe("-intro"), safe("CON")
    ('why-not-', '_intro', '_CON')
    """
    name = _MISLEADING.sub("_", _UNSAFE.sub("-", word).strip()).rstrip(" .") or "_"
    return f"_{name}" if _DEVICE.match(name) else name


def _bytes(text: str) -> int:
    return len(os.fsencode(text))
