"""The songs of a record that share chains, with what differs for each.

model      what a songbook says
reading    how it is read
schema     its JSON Schema
naming     where each output goes
folder     what lies among the outputs that no voice has any use for
work       the work on one voice: whether its render is current, and rendering it
running    the work on all voices, in several processes
worker     what happens in such a process
cluster    the same on the workers of a dask.distributed scheduler
overview   the figures of all songs side by side, with what stands out
rows       what it tells of one voice
figures    the figures that are compared: from where on they matter, in words
departures how far a voice is from what is usual in its role
marks      what stands out in a voice
reasons    why
"""

from __future__ import annotations

from chainkit.songbook.model import Song, Songbook, Voice
from chainkit.songbook.reading import load_songbook, parse_songbook
from chainkit.songbook.schema import songbook_schema

__all__ = [
    "Song", "Songbook", "Voice", "load_songbook", "parse_songbook",
    "songbook_schema",
]  # fmt: skip
