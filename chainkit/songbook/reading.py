"""Reads a songbook, and gathers its faults: each is told in its place."""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

from chainkit import presets
from chainkit.chain import Chain, walk
from chainkit.chain.document import (
    Mapping,
    Node,
    Place,
    Sequence,
    parse_document,
    place_of,
    read_text,
    text_of,
    what,
)
from chainkit.chain.faults import Faults, each, one_of
from chainkit.chain.reading import check_format, find_chain
from chainkit.chain.ridefile import read_ride
from chainkit.errors import NOTHING, ChainFileError, Known, UsageError
from chainkit.songbook import naming
from chainkit.songbook.model import Song, Songbook, Voice
from chainkit.stages.base import NAME
from chainkit.stages.forms import Text
from chainkit.stages.ride import Ride
from chainkit.texts import brief, cut
from chainkit.units import nearest

KEYS = ("chainkit", "record", "output", "naming", "chains", "songs")
SONG_KEYS = ("title", "voices")
FILES = {"file": "file", "backing": "backing", "rides": "ride file"}  # what each key names
VOICE_KEYS = ("role", "name", *FILES, "changes")
WORDS = Text(r"(?s)(?!.*\x00)\s*\S.*", "a text that says something", default=None)
Change = tuple[str, str, Place]


def load_songbook(path: str | Path) -> Songbook:
    """Songbook of the file at `path`.

    A voice whose files are missing is no fault of the songbook: see `Voice.faults`.

    Parameters
    ----------
    path : str or Path
        The files that it names are looked for beside it.

    Returns
    -------
    Songbook

    Raises
    ------
    UsageError
        The file cannot be read.
    ChainFileError
        The songbook or a chain file that it names has faults; the message names file, line and
        column of each.
    """
    return parse_songbook(read_text(path), str(path), Path(path).parent)


def parse_songbook(text: str, source: str = "songbook", folder: Path | None = None) -> Songbook:
    """Songbook of a YAML text.

    Parameters
    ----------
    text : str
    source : str
        What faults call the text.
    folder : Path or None
        Where the files that it names are looked for; the current one if None.

    Returns
    -------
    Songbook

    Raises
    ------
    ChainFileError
        As `load_songbook`.
    """
    root = parse_document(text, source)
    if "stages" in root.values and not {"songs", "chains"} & root.values.keys():
        raise root.place.fault(
            "this is a chain file, no songbook; chainkit render VOICE --chain FILE takes it"
        )
    check_format(root)
    return _Reader(root, folder or Path()).songbook(source)


class _Reader:
    """Reads a songbook, and gathers the faults that do not depend on one another."""

    def __init__(self, root: Mapping, folder: Path) -> None:
        self._root = root
        self._folder = folder
        self._faults = Faults()
        self._output_folder = folder / naming.FOLDER
        self._pattern = naming.PATTERN
        self._chains: dict[str, Chain | None] = {}  # None: its file has a fault
        self._taken: dict[str, Place] = {}
        self._outputs: list[tuple[Path, Place]] = []
        self._inputs: set[str] = set()
        self._blocking: set[Path] = set()
        self._titles: dict[str, Place] = {}

    def songbook(self, source: str) -> Songbook:
        """The whole of it, or all of its faults."""
        root, record, songs = self._root, "", []
        with self._faults:
            walk.check_keys(root, KEYS, "a songbook")
        with self._faults:
            record = walk.scalar(root, "record", Text()) or ""
        with self._faults:
            self._output_folder = self._folder / (
                walk.scalar(root, "output", WORDS) or naming.FOLDER
            )
        with self._faults:
            output = root.values.get("output")
            known = Known("output", text_of(output))
            self._refuse_blocked(self._output_folder, (output or root).place, known)
        with self._faults:
            self._pattern = _pattern(root)
        with self._faults:
            self._read_chains()
        with self._faults:
            songs = self._songs(record)
        with self._faults:
            each(self._refuse_input, *zip(*self._outputs, strict=True))
        self._faults.tell()
        return Songbook(record, self._output_folder, tuple(songs), source, self._pattern)

    def _read_chains(self) -> None:
        node = self._root.values.get("chains")
        if not isinstance(node, Mapping) or not node.values:
            is_empty = isinstance(node, Mapping)
            found = "missing" if node is None else "empty" if is_empty else f"found {what(node)}"
            place = self._root.place if node is None else node.place
            known = Known("chains", text_of(node), walk.MAPPING)
            raise place.fault(f"chains is due, a chain file for each role; {found}", known)
        for role, named in node.values.items():
            self._chains[role] = None
            with self._faults:
                text = walk.read_scalar(WORDS, named, role, f"the chain of {cut(role)}")
                self._chains[role] = self._read_chain(role, text, named.place)

    def _read_chain(self, role: str, text: str, place: Place) -> Chain:
        try:
            return find_chain(text, self._folder)
        except ChainFileError:
            raise  # its own place says more
        except UsageError as fault:
            names, near = presets.preset_names, lambda: presets.near_preset(text)
            raise place.fault(str(fault), Known(role, text, names, near)) from None

    def _songs(self, record: str) -> list[Song]:
        """Each song; outputs and titles are checked against those before."""
        nodes = _list(self._root, "songs", "a list of songs such as '- title: …'")
        if not nodes.items:
            known = Known("songs", allowed=walk.LIST)
            raise nodes.place.fault("songs is empty; write '- title: …'", known)
        numbers = range(1, len(nodes.items) + 1)
        return each(lambda node, n: self._song(node, n, record), nodes.items, numbers)

    def _song(self, node: Node, number: int, record: str) -> Song:
        if not isinstance(node, Mapping):
            told = f"a song is a mapping of its settings; found {what(node)}"
            raise node.place.fault(told, Known(value=text_of(node), allowed=walk.MAPPING))
        faults, title, voices = Faults(), f"song {number}", []
        with faults:
            walk.check_keys(node, SONG_KEYS, "a song")
        with faults:
            title = self._title(node)
        words = {"record": record, "number": f"{number:02}", "title": title}
        with faults:
            nodes = _list(node, "voices", "a list of voices such as '- {role: …, file: …}'")
            voices = each(lambda voice: self._voice(voice, number, words), nodes.items)
        faults.tell()
        return Song(title, tuple(voices))

    def _title(self, node: Mapping) -> str:
        title = _required(node, "title", WORDS, "a song").strip()
        place = node.values["title"].place
        if title in self._titles:
            first = self._titles[title]
            told = f"two songs have the title {brief(title)}; the first in line {first.line}"
            raise place.fault(told, Known("title", title))
        self._titles[title] = place
        return title

    def _voice(self, node: Node, number: int, words: dict[str, str]) -> Voice:
        if not isinstance(node, Mapping):
            told = f"a voice is a mapping of its settings; found {what(node)}"
            raise node.place.fault(told, Known(value=text_of(node), allowed=walk.MAPPING))
        faults, role, name = Faults(), "", None
        found: list[Path | None] = []
        changes: list[Change] = []
        with faults:
            walk.check_keys(node, VOICE_KEYS, "a voice")
        with faults:
            role = self._role(node)
        with faults:
            name = walk.scalar(node, "name", NAME)
        with faults:
            found = each(lambda key: self._file(node, key), FILES)
        with faults:
            changes = _changes(node)
        chain = self._chains.get(role)
        with faults:
            chain = chain and _changed(chain, changes)
        faults.tell()
        files = dict(zip(FILES, found, strict=True))
        file, rides = files["file"] or Path(), files["rides"]
        chain, lost = _ridden(chain or Chain(()), rides, node)
        return Voice(
            number=number,
            title=words["title"],
            role=role,
            name=name or role,
            file=file,
            backing=files["backing"],
            rides=rides,
            changes=tuple((path, text) for path, text, _ in changes),
            chain=chain,
            output=self._output(node, file, words | {"role": role, "name": name or role}),
            faults=(*_missing(node, files), *lost),
            places={key: place_of(node.values[key]) for key in FILES if files[key] is not None},
            record=words["record"],
        )

    def _role(self, node: Mapping) -> str:
        role = _required(node, "role", Text(), "a voice")
        if self._chains and role not in self._chains:
            allowed = f"chains has {', '.join(self._chains)}{nearest(role, self._chains)}"
            told = f"no chain for role {brief(role)}; {allowed}"
            raise node.values["role"].place.fault(told, one_of(self._chains, "role", role))
        return role

    def _file(self, node: Mapping, key: str) -> Path | None:
        text = walk.scalar(node, key, WORDS)
        if text is None and key == "file":
            known = Known("file", allowed=WORDS.allowed)
            raise node.place.fault("a voice needs file, its sound file", known)
        if text is None:
            return None
        path = self._folder / text
        self._inputs.add(os.path.realpath(path))
        return path

    def _refuse_blocked(self, folder: Path, place: Place, known: Known = NOTHING) -> None:
        """Refuse, once, a folder in whose place, or that of one around it, stands a file."""
        way = (folder, *folder.parents)
        there = next((path for path in way if os.path.lexists(path)), folder)
        if there not in self._blocking and os.path.lexists(there) and not there.is_dir():
            self._blocking.add(there)
            told = (
                f"the folder {brief(str(folder))} cannot be made: {brief(str(there))} is no folder"
            )
            raise place.fault(told, known)

    def _refuse_input(self, path: Path, place: Place) -> None:
        if os.path.realpath(path) in self._inputs:
            raise place.fault(f"the output {str(path)!r} is a file that this songbook reads")

    def _output(self, node: Mapping, file: Path, words: dict[str, str]) -> Path:
        stem = naming.output_name(self._pattern, words)
        path = self._output_folder / f"{stem}{file.suffix.lower()}"
        try:
            naming.check_output(stem, file.suffix)
        except ValueError as fault:
            raise node.place.fault(f"the output {brief(str(path))} {fault}") from None
        # Log and record are named by the stem; some file systems do not tell case apart.
        key = os.path.abspath(self._output_folder / stem).casefold()
        if key in self._taken:
            first = self._taken[key]
            raise node.place.fault(
                f"this output, {str(path)!r}, is also that of the voice in line {first.line}; "
                "give one of them a name"
            )
        self._taken[key] = node.place
        self._refuse_blocked(path.parent, node.place)
        self._outputs.append((path, node.place))
        return path


def _pattern(root: Mapping) -> str:
    pattern = walk.scalar(root, "naming", WORDS) or naming.PATTERN
    try:
        naming.check_pattern(pattern)
    except ValueError as fault:
        known = Known("naming", pattern)
        raise root.values["naming"].place.fault(f"naming {brief(pattern)} {fault}", known) from None
    return pattern


def _required(node: Mapping, key: str, form: Text, title: str) -> str:
    text = walk.scalar(node, key, form)
    if text is None:
        raise node.place.fault(f"{title} needs {key}", Known(key, allowed=form.allowed))
    return str(text)


def _list(node: Mapping, key: str, due: str) -> Sequence:
    found = node.values.get(key)
    if not isinstance(found, Sequence):
        told = "missing" if found is None else f"found {what(found)}"
        place = node.place if found is None else found.place
        raise place.fault(f"{key} is due, {due}; {told}", Known(key, text_of(found), walk.LIST))
    return found


def _changes(node: Mapping) -> list[Change]:
    """Path, text and place of each value that a voice changes."""
    changes = node.values.get("changes")
    if changes is None:
        return []
    if not isinstance(changes, Mapping):
        due = "changes needs a mapping such as {deess.threshold: -36 dB}"
        known = Known("changes", text_of(changes), walk.MAPPING)
        raise changes.place.fault(f"{due}; found {what(changes)}", known)
    return each(_change, changes.values.keys(), changes.values.values())


def _change(path: str, node: Node) -> Change:
    return path, walk.read_scalar(Text(), node, path), node.place


def _changed(chain: Chain, changes: list[Change]) -> Chain:
    faults = Faults()
    for path, text, place in changes:
        with faults:
            chain = _with_value(chain, path, text, place)
    faults.tell()
    return chain


def _with_value(chain: Chain, path: str, text: str, place: Place) -> Chain:
    try:
        return chain.with_value(path, text, place)
    except UsageError as fault:
        raise place.fault(str(fault), Known(path, text)) from None


def _missing(node: Mapping, files: dict[str, Path | None]) -> Iterator[ChainFileError]:
    """A fault for each file that is not there."""
    for key, path in files.items():
        if path is not None and not os.path.isfile(path):
            told = f"there is no {FILES[key]} {str(path)!r}"
            yield node.values[key].place.fault(told, Known(key, text_of(node.values[key])))


def _ridden(
    chain: Chain, rides: Path | None, node: Mapping
) -> tuple[Chain, tuple[ChainFileError, ...]]:
    """`chain` with the moves of a ride file, in its ride stage or ahead of all stages.

    Or the same chain, and what is wrong with the ride file.
    """
    if rides is None or not os.path.isfile(rides):
        return chain, ()
    try:
        return _with_points(chain, read_ride(rides)), ()
    except ChainFileError as fault:
        return chain, fault.faults
    except UsageError as fault:
        return chain, (node.values["rides"].place.fault(str(fault)),)


def _with_points(chain: Chain, points: tuple[tuple[float, float], ...]) -> Chain:
    stages = list(chain.stages)
    for index, stage in enumerate(stages):
        if isinstance(stage, Ride):
            stages[index] = replace(stage, points=points, file="")
            return replace(chain, stages=tuple(stages))
    places = {(path[0] + 1, *path[1:]): place for path, place in chain.places.items()}
    return replace(chain, stages=(Ride(points=points), *stages), places=places)
