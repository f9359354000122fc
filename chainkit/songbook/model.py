"""What a songbook says: songs, their voices, the chain and the output of each."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from chainkit.chain import Chain
from chainkit.chain.document import Place
from chainkit.errors import ChainFileError, UsageError
from chainkit.songbook import naming
from chainkit.units import nearest

RIDES = "rides"


@dataclass(frozen=True)
class Voice:
    """One voice of one song.

    Parameters
    ----------
    number : int
        Of the song in its record, from 1.
    title, role, name : str
        Of the song, and of the voice within it.
    file : Path
    backing, rides : Path or None
    changes : tuple of (str, str)
        Path and text of each value that differs from the role's chain.
    chain : Chain
        The role's chain, with rides and changes.
    output : Path
    faults : tuple of ChainFileError
        Why it cannot be rendered: files that are missing, what is wrong with a ride file.
    places : dict of str to Place
        Where the songbook names its files, by ``file``, ``backing``, ``rides``.
    record : str
        Name of the record.
    """

    number: int
    title: str
    role: str
    name: str
    file: Path
    backing: Path | None
    rides: Path | None
    changes: tuple[tuple[str, str], ...]
    chain: Chain
    output: Path
    faults: tuple[ChainFileError, ...] = field(default=(), compare=False, repr=False)
    places: dict[str, Place] = field(default_factory=dict, compare=False, repr=False)
    record: str = ""

    @property
    def own(self) -> tuple[tuple[str, str], ...]:
        """Path and text of all that the song sets itself: changes, then `RIDES`."""
        return self.changes if self.rides is None else (*self.changes, (RIDES, self.rides.name))

    @property
    def rides_are_idle(self) -> bool:
        """Whether the stage that takes the rides is bypassed."""
        stage = next((stage for stage in self.chain.stages if stage.kind == "ride"), None)
        return self.rides is not None and stage is not None and stage.bypass

    def absolute(self) -> Voice:
        """The same voice with paths that hold wherever a process was started."""
        return replace(
            self,
            file=self.file.absolute(),
            backing=self.backing and self.backing.absolute(),
            rides=self.rides and self.rides.absolute(),
            output=self.output.absolute(),
        )

    def as_dict(self) -> dict[str, Any]:
        """What it is, where it goes and its chain, as plain values."""
        return {
            "role": self.role,
            "name": self.name,
            "file": str(self.file),
            "output": str(self.output),
            "chain": self.chain.resolved().as_dict(),
        }


@dataclass(frozen=True)
class Song:
    """A title and the voices sung in it."""

    title: str
    voices: tuple[Voice, ...]


@dataclass(frozen=True)
class Songbook:
    """The songs of a record.

    Parameters
    ----------
    record : str
        Its name.
    output : Path
        Folder of everything that is written.
    songs : tuple of Song
    source : str
        The file it was read from.
    naming : str
        Pattern of the outputs' paths in the folder.
    """

    record: str
    output: Path
    songs: tuple[Song, ...]
    source: str
    naming: str = naming.PATTERN

    @property
    def voices(self) -> tuple[Voice, ...]:
        """All voices in the order of the songs."""
        return tuple(voice for song in self.songs for voice in song.voices)

    def remarks(self) -> Iterator[str]:
        """What is allowed and seldom meant: songs without voices, rides that are not heard."""
        if not self.voices:
            yield f"{self.source}: no song has a voice, so there is nothing to render"
            return
        for number, song in enumerate(self.songs, start=1):
            if not song.voices:
                yield f"{self.source}: song {number} ({song.title}) has no voices"
            for voice in song.voices:
                if voice.rides_are_idle:
                    told = "the ride stage is bypassed: no move is made"
                    yield str(voice.places[RIDES].fault(told))

    def as_dict(self) -> dict[str, Any]:
        """The songbook as plain values, the chain of each voice resolved."""
        songs = [
            {"title": song.title, "voices": [voice.as_dict() for voice in song.voices]}
            for song in self.songs
        ]
        return {"record": self.record, "songs": songs}

    def only(self, titles: list[str]) -> tuple[Voice, ...]:
        """Voices of the songs called `titles`; of all songs when there are none.

        Parameters
        ----------
        titles : list of str

        Returns
        -------
        tuple of Voice
            In the order of the songs.

        Raises
        ------
        UsageError
            There is no such song; the message names those that there are, and the nearest.
        """
        known = [song.title for song in self.songs]
        for title in titles:
            if title not in known:
                titles_are = f"the titles are {', '.join(map(repr, known))}{nearest(title, known)}"
                raise UsageError(f"{self.source}: no song {title!r}; {titles_are}")
        return tuple(v for v in self.voices if not titles or v.title in titles)
