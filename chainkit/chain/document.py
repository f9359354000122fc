"""Text to nodes that know their place in the file.

The nodes are built from the parser's events, without recursion and without resolving any tag, so
that a plain scalar stays text until a setting asks for a number (YAML 1.2 core rules: ``4:1`` and
``no`` are text).
"""

from __future__ import annotations

from collections.abc import Iterator
from os import PathLike, fspath
from typing import Any, NamedTuple, NoReturn

import yaml

from chainkit.chain.faults import Faults
from chainkit.errors import NOTHING, ChainFileError, Known, UsageError, reason
from chainkit.texts import brief, cut

MAX_BYTES = 1 << 20
MAX_ALIASES = 100
MAX_DEPTH = 16


class Place(NamedTuple):
    """A place in a file, lines and columns counted from 1; line 0 where there is no file.

    `text` is what is written there, where one value is and its place is kept. `trail` leads there
    where lines do not: the keys from the root on, what is in a list by its number from 1. `way_out`
    is what else to say of a fault here: how to change what is in a file that is not the user's.
    """

    source: str
    line: int = 0
    column: int = 0
    text: str | None = None
    trail: tuple[str | int, ...] = ()
    way_out: str = ""

    def fault(self, message: str, known: Known = NOTHING) -> ChainFileError:
        """The fault `message` at this place."""
        told = f"{'.'.join(map(str, self.trail))}: {message}" if self.trail else message
        told = f"{told}; {self.way_out}" if self.way_out else told
        return ChainFileError(told, self.source, self.line, self.column, known=known)


class Scalar(NamedTuple):
    """A scalar: its text as written, and whether it stood without quotes."""

    place: Place
    text: str
    plain: bool

    @property
    def is_null(self) -> bool:
        """Whether nothing was written (YAML 1.2 core null)."""
        return self.plain and self.text in ("", "~", "null", "Null", "NULL")


class Sequence:
    """A list of nodes."""

    def __init__(self, place: Place, items: list[Node] | None = None) -> None:
        self.place = place
        self.items: list[Node] = [] if items is None else items


class Mapping:
    """Keys and values in the order of the file."""

    def __init__(
        self,
        place: Place,
        keys: dict[str, Place] | None = None,
        values: dict[str, Node] | None = None,
    ) -> None:
        self.place = place
        self.keys: dict[str, Place] = {} if keys is None else keys
        self.values: dict[str, Node] = {} if values is None else values

    def __iter__(self) -> Iterator[str]:
        return iter(self.values)


Node = Scalar | Sequence | Mapping


def text_of(node: Node | None) -> str | None:
    """What is written as the scalar `node`; None where it is none, or nothing."""
    return node.text if isinstance(node, Scalar) and not node.is_null else None


def place_of(node: Node) -> Place:
    """Where `node` stands, with what is written there."""
    return node.place._replace(text=text_of(node))


def what(node: Node) -> str:
    """What `node` is, for messages."""
    if isinstance(node, Mapping):
        return "a mapping"
    if isinstance(node, Sequence):
        return "a list"
    return "empty" if node.is_null else brief(node.text)


def read_text(path: str | PathLike[str]) -> str:
    """Text of the YAML file at `path`.

    Raises
    ------
    UsageError
        The file is missing or unreadable.
    ChainFileError
        The file is no text, such as a sound file, not UTF-8, or above 1 MiB.
    TypeError
        `path` is no path; a number would be taken for an open file.
    """
    try:
        with open(fspath(path), "rb") as file:
            data = file.read(MAX_BYTES + 1)
    except OSError as fault:
        raise UsageError(f"cannot read {path}: {reason(fault)}") from None
    if len(data) > MAX_BYTES and b"\0" not in data:
        raise ChainFileError("the file is above 1 MiB", str(path))
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as fault:
        if b"\0" in data:  # as in every sound file
            told = "not a text in UTF-8; a chain file or songbook is due"
            raise ChainFileError(told, str(path)) from None
        place = _place_behind(data[: fault.start].decode("utf-8-sig"))
        raise ChainFileError("the file is not UTF-8 text", str(path), *place) from None
    before, nul, _ = text.partition("\0")
    if nul:
        told = "a NUL byte stands here; a chain file or songbook is a text without"
        raise ChainFileError(told, str(path), *_place_behind(before))
    return text


def _place_behind(text: str) -> tuple[int, int]:
    """Line and column, from 1, of what follows `text`."""
    return text.count("\n") + 1, len(text) - text.rfind("\n")


def parse_document(text: str, source: str) -> Mapping:
    """Root mapping of a YAML text.

    Raises
    ------
    ChainFileError
        The text is no YAML or no mapping; a key stands twice; a tag, an alias too many, a list or
        mapping nested too deep.
    """
    builder = _Builder(source)
    with builder.faults:
        _build(builder, text, source)
    builder.faults.tell()
    if not isinstance(builder.root, Mapping):
        found = "the file is empty" if builder.root is None else f"found {what(builder.root)}"
        raise ChainFileError(f"a mapping is due, starting with 'chainkit: 1'; {found}", source)
    return builder.root


def nodes_of(value: Any, source: str, *trail: str | int) -> Node:
    """Nodes of plain values, such as those of a render record, that know their `trail`."""
    place = Place(source, trail=trail)
    if isinstance(value, dict):
        keys = {str(key): place._replace(trail=(*trail, str(key))) for key in value}
        nodes = {str(key): nodes_of(v, source, *trail, str(key)) for key, v in value.items()}
        return Mapping(place, keys, nodes)
    if isinstance(value, (list, tuple)):
        numbered = enumerate(value, start=1)
        return Sequence(
            place, [nodes_of(item, source, *trail, number) for number, item in numbered]
        )
    return Scalar(place, "" if value is None else str(value), plain=True)


def _build(builder: _Builder, text: str, source: str) -> None:
    loader = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
    try:
        for event in yaml.parse(text, Loader=loader):
            builder.take(event)
    except yaml.MarkedYAMLError as fault:
        _refuse(fault, text, source)
    except yaml.YAMLError as fault:
        message = str(fault).splitlines()[0]
        raise ChainFileError(f"not readable as YAML: {message}", source) from None


def _refuse(fault: yaml.MarkedYAMLError, text: str, source: str) -> NoReturn:
    mark = fault.problem_mark or fault.context_mark
    line, column = (mark.line + 1, mark.column + 1) if mark else (1, 1)
    lines = text.splitlines()
    found = lines[line - 1] if line <= len(lines) else ""
    if "\t" in found[: len(found) - len(found.lstrip())]:
        raise ChainFileError("indent with spaces, not with tabs", source, line, column) from None
    problem = fault.problem or "unreadable"
    raise ChainFileError(f"not readable as YAML: {problem}", source, line, column) from None


class _Builder:
    """Puts the parser's events together; a stack stands in for recursion.

    Faults that do not stand in the way of what follows are gathered in `faults`.
    """

    def __init__(self, source: str) -> None:
        self.source = source
        self.root: Node | None = None
        self.faults = Faults()
        self._open: list[Sequence | Mapping] = []
        self._pending: list[Scalar | None] = []
        self._anchors: dict[str, Node] = {}
        self._aliases = 0
        self._documents = 0

    def take(self, event: yaml.Event) -> None:
        mark: Any = event.start_mark
        place = Place(self.source, mark.line + 1, mark.column + 1)
        if isinstance(event, yaml.DocumentStartEvent):
            self._documents += 1
            if self._documents > 1:
                raise place.fault("a second document starts here; one is allowed")
        elif isinstance(event, yaml.AliasEvent):
            self._add(self._alias(event.anchor or "", place), place)
        elif isinstance(event, yaml.ScalarEvent):
            self._check_tag(event, place)
            plain = event.style is None or event.style == ""
            self._add(self._anchored(event, Scalar(place, event.value, plain)), place)
        elif isinstance(event, (yaml.SequenceStartEvent, yaml.MappingStartEvent)):
            self._begin(event, place)
        elif isinstance(event, (yaml.SequenceEndEvent, yaml.MappingEndEvent)):
            self._open.pop()
            self._pending.pop()

    def _begin(self, event: yaml.CollectionStartEvent, place: Place) -> None:
        self._check_tag(event, place)
        if len(self._open) >= MAX_DEPTH:
            raise place.fault(f"nested deeper than {MAX_DEPTH} levels")
        is_list = isinstance(event, yaml.SequenceStartEvent)
        node: Sequence | Mapping = Sequence(place) if is_list else Mapping(place)
        self._anchored(event, node)
        self._add(node, place)
        self._open.append(node)
        self._pending.append(None)

    def _check_tag(self, event: yaml.NodeEvent, place: Place) -> None:
        tag = getattr(event, "tag", None)
        if tag not in (None, "", "!"):
            with self.faults:
                raise place.fault(f"tag {brief(tag)} is not allowed; write plain values")

    def _anchored(self, event: yaml.NodeEvent, node: Node) -> Node:
        if event.anchor:
            self._anchors[event.anchor] = node
        return node

    def _alias(self, anchor: str, place: Place) -> Node:
        self._aliases += 1
        if self._aliases > MAX_ALIASES:
            raise place.fault(f"more than {MAX_ALIASES} aliases")
        if anchor not in self._anchors:
            with self.faults:
                raise place.fault(f"alias *{cut(anchor)} has no anchor before it")
            return Scalar(place, "", plain=True)
        node = self._anchors[anchor]
        if any(node is parent for parent in self._open):
            raise place.fault(f"alias *{cut(anchor)} stands inside what it names")
        return node

    def _add(self, node: Node, place: Place) -> None:
        if not self._open:
            self.root = node
            return
        parent = self._open[-1]
        if isinstance(parent, Sequence):
            parent.items.append(node)
        elif self._pending[-1] is None:
            self._pending[-1] = self._key(parent, node, place)
        else:
            key = self._pending[-1].text
            parent.keys[key] = self._pending[-1].place
            parent.values[key] = node
            self._pending[-1] = None

    def _key(self, parent: Mapping, node: Node, place: Place) -> Scalar:
        if not isinstance(node, Scalar):
            raise place.fault(f"a key must be a word; found {what(node)}")
        if node.plain and node.text == "<<":
            with self.faults:
                raise place.fault("merge keys (<<) are not allowed; write the values themselves")
        if node.text in parent.keys:
            first = parent.keys[node.text]
            with self.faults:
                told = f"key {brief(node.text)} stands twice; first in line {first.line}"
                raise place.fault(told, Known(node.text))
        return Scalar(place, node.text, node.plain)
