"""Whether files that are given together belong together: a voice, its backing, its rides.

Nothing is refused for it. The words end in a question, since only the user knows the answer.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

SLACK = 0.1  # seconds by which files that belong together may end apart
LONGER = 1.5  # times the voice: a backing often goes on behind it (common practice, no source)
ASKED = "is it the right file?"


class Extent(NamedTuple):
    """How long a sound is, in seconds, and how many channels it has."""

    seconds: float
    channels: int


def of_backing(backing: Extent, voice: Extent, early: str = "") -> Iterator[str]:
    """What is odd of a backing beside its voice.

    Parameters
    ----------
    backing, voice : Extent
    early : str
        What is told behind "the backing ends early" of what comes of it.

    Yields
    ------
    str
    """
    if voice.seconds - backing.seconds >= SLACK:
        ends = f"the backing ends after {backing.seconds:.1f} s, the voice after"
        yield f"{ends} {voice.seconds:.1f} s{early}; {ASKED}"
    elif backing.seconds >= LONGER * voice.seconds + SLACK:
        lasts = f"the backing lasts {backing.seconds:.1f} s"
        yield f"{lasts}, the voice ends after {voice.seconds:.1f} s; {ASKED}"
    channels = backing.channels, voice.channels
    if backing.channels not in (1, voice.channels) and channels != (2, 1):
        yield f"channels: the backing has {channels[0]}, the voice {channels[1]}; {ASKED}"


def of_silent_backing() -> str:
    """What to say of a backing without a sound where it could be done without."""
    return f"the backing is silent; {ASKED}"


def of_ride(name: str, end: float, voice: float) -> Iterator[str]:
    """What is odd of the ride called `name`, whose last point stands at `end`, both in seconds.

    Yields
    ------
    str
    """
    if end - voice >= SLACK:
        yield f"{name} goes on to {end:.1f} s, the voice ends after {voice:.1f} s; {ASKED}"
