"""Where the outputs of a songbook go."""

from __future__ import annotations

import re
from collections.abc import Mapping
from string import Formatter

from chainkit.units import nearest

PATTERN = "{title}/{name}"
PLACEHOLDERS = ("record", "number", "title", "role", "name")

# What some file system refuses in a name, and what would leave the folder.
_UNSAFE = re.compile(r'[<>:"/\\|?*\x00-\x1f\x7f]')


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


def safe(word: str) -> str:
    """`word` as a file name that every system takes: ``why/not?`` becomes ``why-not-``."""
    return _UNSAFE.sub("-", word).strip(" .") or "-"
