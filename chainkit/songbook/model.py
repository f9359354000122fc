"""What a songbook says: songs, their voices, the chain and the output of each."""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

from chainkit import presets
from chainkit.chain import Chain, load_chain, walk
from chainkit.chain.document import (
    Mapping,
    Node,
    Place,
    Sequence,
    parse_document,
    read_text,
    what,
)
from chainkit.chain.model import check_format
from chainkit.chain.ridefile import read_ride
from chainkit.errors import ChainFileError, UsageError
from chainkit.songbook import naming
from chainkit.stages.base import NAME, Text
from chainkit.stages.ride import Ride
from chainkit.units import nearest

KEYS = ("chainkit", "record", "output", "naming", "chains", "songs")
SONG_KEYS = ("title", "voices")
VOICE_KEYS = ("role", "name", "file", "backing", "rides", "changes")
FOLDER = "rendered"
WORDS = Text(r"(?s)\s*\S.*", "a text that says something", default=None)


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

    def absolute(self) -> Voice:
        """The same voice with paths that hold wherever a process was started."""
        return replace(
            self,
            file=self.file.absolute(),
            backing=self.backing and self.backing.absolute(),
            rides=self.rides and self.rides.absolute(),
            output=self.output.absolute(),
        )


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
    """

    record: str
    output: Path
    songs: tuple[Song, ...]
    source: str

    @property
    def voices(self) -> tuple[Voice, ...]:
        """All voices in the order of the songs."""
        return tuple(voice for song in self.songs for voice in song.voices)

    def only(self, titles: list[str]) -> tuple[Voice, ...]:
        """Voices of the songs called `titles`; of all songs when there are none.

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


def load_songbook(path: str | Path) -> Songbook:
    """Songbook of the file at `path`.

    Raises
    ------
    UsageError
        The file cannot be read.
    ChainFileError
        The songbook, or a chain file or ride file that it names, has a fault; the message names
        file, line and column.
    """
    return parse_songbook(read_text(path), str(path), Path(path).parent)


def parse_songbook(text: str, source: str = "songbook", folder: Path | None = None) -> Songbook:
    """Songbook of a YAML text; the files that it names are looked for in `folder`.

    Raises
    ------
    ChainFileError
        As `load_songbook`.
    """
    root = parse_document(text, source)
    walk.check_keys(root, KEYS, "a songbook")
    check_format(root)
    reader = _Reader(root, folder or Path())
    songs = tuple(reader.songs(_list(root, "songs", "a list of songs such as '- title: …'")))
    reader.refuse_inputs_as_outputs()
    return Songbook(reader.record, reader.output, songs, source)


class _Reader:
    """Reads songs with what the head of the songbook says."""

    def __init__(self, root: Mapping, folder: Path) -> None:
        self._folder = folder
        self.record: str = walk.scalar(root, "record", Text()) or ""
        self.output = folder / (walk.scalar(root, "output", WORDS) or FOLDER)
        self._pattern = _pattern(root)
        self._chains = {role: chain for role, chain in self._read_chains(root)}
        self._taken: dict[str, Place] = {}
        self._outputs: list[tuple[Path, Place]] = []
        self._inputs: set[str] = set()
        self._titles: dict[str, Place] = {}

    def songs(self, nodes: Sequence) -> Iterator[Song]:
        """Each song; outputs and titles are checked against those before."""
        if not nodes.items:
            raise nodes.place.fault("songs is empty; write '- title: …'")
        for number, node in enumerate(nodes.items, start=1):
            if not isinstance(node, Mapping):
                raise node.place.fault(f"a song is a mapping of its settings; found {what(node)}")
            walk.check_keys(node, SONG_KEYS, "a song")
            title = _required(node, "title", WORDS, "a song").strip()
            self._claim_title(title, node.values["title"].place)
            voices = _list(node, "voices", "a list of voices such as '- {role: …, file: …}'")
            yield Song(title, tuple(self._voice(v, number, title) for v in voices.items))

    def refuse_inputs_as_outputs(self) -> None:
        """Raise a fault where an output is a file that the songbook reads."""
        for path, place in self._outputs:
            if os.path.realpath(path) in self._inputs:
                raise place.fault(f"the output {str(path)!r} is a file that this songbook reads")

    def _claim_title(self, title: str, place: Place) -> None:
        if title in self._titles:
            first = self._titles[title]
            raise place.fault(f"two songs have the title {title!r}; the first in line {first.line}")
        self._titles[title] = place

    def _read_chains(self, root: Mapping) -> Iterator[tuple[str, Chain]]:
        node = root.values.get("chains")
        if not isinstance(node, Mapping) or not node.values:
            found = "missing" if node is None else f"found {what(node)}"
            place = root.place if node is None else node.place
            raise place.fault(f"chains is due, a chain file for each role; {found}")
        for role, named in node.values.items():
            text = walk.read_scalar(WORDS, named, f"the chain of {role}")
            yield role, self._read_chain(text, named.place)

    def _read_chain(self, text: str, place: Place) -> Chain:
        path = self._folder / text
        try:
            return load_chain(path if path.exists() else presets.find_chain(text))
        except ChainFileError:
            raise  # its own place says more
        except UsageError as fault:
            raise place.fault(str(fault)) from None

    def _voice(self, node: Node, number: int, title: str) -> Voice:
        if not isinstance(node, Mapping):
            raise node.place.fault(f"a voice is a mapping of its settings; found {what(node)}")
        walk.check_keys(node, VOICE_KEYS, "a voice")
        role = _required(node, "role", Text(), "a voice")
        if role not in self._chains:
            allowed = f"chains has {', '.join(self._chains)}{nearest(role, self._chains)}"
            raise node.values["role"].place.fault(f"no chain for role {role!r}; {allowed}")
        name = walk.scalar(node, "name", NAME) or role
        file = self._file(node, "file")
        rides = self._file(node, "rides")
        changes = tuple(_changes(node))
        if file is None:
            raise node.place.fault("a voice needs file, its sound file")
        return Voice(
            number=number,
            title=title,
            role=role,
            name=name,
            file=file,
            backing=self._file(node, "backing"),
            rides=rides,
            changes=tuple((path, text) for path, text, _ in changes),
            chain=_changed(_ridden(self._chains[role], rides, node), changes),
            output=self._output(node, file, number, title, role, name),
        )

    def _file(self, node: Mapping, key: str) -> Path | None:
        text = walk.scalar(node, key, WORDS)
        if text is None:
            return None
        path = self._folder / text
        if not path.is_file():
            raise node.values[key].place.fault(f"{key} {text!r}: there is no file {str(path)!r}")
        self._inputs.add(os.path.realpath(path))
        return path

    def _output(
        self, node: Mapping, file: Path, number: int, title: str, role: str, name: str
    ) -> Path:
        words = {"record": self.record, "number": f"{number:02}", "title": title}
        stem = naming.output_name(self._pattern, words | {"role": role, "name": name})
        path = self.output / f"{stem}{file.suffix.lower()}"
        # Log and record are named by the stem; some file systems do not tell case apart.
        key = os.path.abspath(self.output / stem).casefold()
        if key in self._taken:
            first = self._taken[key]
            raise node.place.fault(
                f"this output, {str(path)!r}, is also that of the voice in line {first.line}; "
                "give one of them a name"
            )
        self._taken[key] = node.place
        self._outputs.append((path, node.place))
        return path


def _pattern(root: Mapping) -> str:
    pattern = walk.scalar(root, "naming", WORDS) or naming.PATTERN
    try:
        naming.check_pattern(pattern)
    except ValueError as fault:
        raise root.values["naming"].place.fault(f"naming {pattern!r} {fault}") from None
    return pattern


def _required(node: Mapping, key: str, form: Text, title: str) -> str:
    text = walk.scalar(node, key, form)
    if text is None:
        raise node.place.fault(f"{title} needs {key}")
    return str(text)


def _list(node: Mapping, key: str, due: str) -> Sequence:
    found = node.values.get(key)
    if not isinstance(found, Sequence):
        told = "missing" if found is None else f"found {what(found)}"
        place = node.place if found is None else found.place
        raise place.fault(f"{key} is due, {due}; {told}")
    return found


def _changes(node: Mapping) -> Iterator[tuple[str, str, Place]]:
    """Path, text and place of each value that a voice changes."""
    changes = node.values.get("changes")
    if changes is None:
        return
    if not isinstance(changes, Mapping):
        due = "changes needs a mapping such as {deess.threshold: -36 dB}"
        raise changes.place.fault(f"{due}; found {what(changes)}")
    for path, value in changes.values.items():
        yield path, walk.read_scalar(Text(), value, path), value.place


def _changed(chain: Chain, changes: tuple[tuple[str, str, Place], ...]) -> Chain:
    for path, text, place in changes:
        try:
            chain = chain.with_value(path, text)
        except UsageError as fault:
            raise place.fault(str(fault)) from None
    return chain


def _ridden(chain: Chain, rides: Path | None, node: Mapping) -> Chain:
    """`chain` with the moves of a ride file: in its ride stage, else ahead of all stages."""
    if rides is None:
        return chain
    try:
        points = read_ride(rides)
    except ChainFileError:
        raise
    except UsageError as fault:
        raise node.values["rides"].place.fault(str(fault)) from None
    stages = list(chain.stages)
    for index, stage in enumerate(stages):
        if isinstance(stage, Ride):
            stages[index] = replace(stage, points=points, file="")
            return replace(chain, stages=tuple(stages))
    return replace(chain, stages=(Ride(points=points), *stages))
