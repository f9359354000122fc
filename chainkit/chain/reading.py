"""Chains out of chain files, YAML text and plain values, with the faults of all of it."""

from __future__ import annotations

import os
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from chainkit.chain import walk
from chainkit.chain.document import (
    Mapping,
    Sequence,
    nodes_of,
    parse_document,
    read_text,
    text_of,
    what,
)
from chainkit.chain.faults import Faults, each, one_of
from chainkit.chain.model import FORMAT, HEAD, Chain
from chainkit.chain.ridefile import with_points
from chainkit.errors import Known
from chainkit.stages import KINDS
from chainkit.stages.base import Stage
from chainkit.stages.ride import Ride
from chainkit.texts import brief
from chainkit.units import nearest

if TYPE_CHECKING:
    from pathlib import Path

KEYS = ("chainkit", *HEAD, "stages")


def load_chain(path: str | os.PathLike[str]) -> Chain:
    """Chain of the file at `path`.

    Parameters
    ----------
    path : str or path
        A ride file that the chain names is looked for beside it.

    Returns
    -------
    Chain

    Raises
    ------
    UsageError
        The file cannot be read.
    ChainFileError
        It has a fault, or a ride file that it names; the message names file, line and column.
    """
    chain = parse_chain(read_text(path), str(path), os.path.dirname(path))
    return replace(chain, file=str(path))


def load_preset(name: str) -> Chain:
    """Chain of the preset called `name`; its faults name the preset, and how to change it.

    Raises
    ------
    UsageError
        There is no such preset; the message names the nearest.
    """
    from chainkit.presets import preset_path

    path = preset_path(name)
    chain = parse_chain(read_text(path), f"preset {name}")
    way_out = f"chainkit presets copy {name} TO puts it where you can change it"
    places = {key: place._replace(way_out=way_out) for key, place in chain.places.items()}
    return replace(chain, file=str(path), places=places)


def find_chain(text: str, folder: Path | None = None) -> Chain:
    """Chain of the file that `text` names, seen from `folder`, else of the preset of that name.

    Presets are imported late: a fault in a file is told without the time that pathlib takes.

    Raises
    ------
    UsageError
        There is neither; the message names the preset that is near.
    ChainFileError
        As `load_chain`.
    """
    path = text if folder is None else folder / text
    if os.path.isfile(path):
        return load_chain(path)
    from chainkit import presets

    if text in presets.preset_names():
        return load_preset(text)
    presets.refuse_near(text)
    return load_chain(path)  # tells why it cannot be read


def parse_chain(text: str, source: str = "chain", folder: str = "") -> Chain:
    """Chain of a YAML text.

    Parameters
    ----------
    text : str
    source : str
        What faults call the text.
    folder : str
        Where the ride files that it names are looked for; the current one if empty.

    Returns
    -------
    Chain

    Raises
    ------
    ChainFileError
        It has a fault, or a ride file that it names; the message names file, line and column.
    """
    return _from_nodes(parse_document(text, source), source, folder)


def chain_from_dict(values: dict[str, Any], source: str, *trail: str) -> Chain:
    """Chain of plain values, as `Chain.as_dict` gives them; keys lead to them in the source.

    Raises
    ------
    UsageError
        The values are not those of a chain.
    """
    return _from_nodes(nodes_of(values, source, *trail), source, "")


def _from_nodes(root: Any, source: str, folder: str) -> Chain:
    """Chain of the root mapping of a chain file."""
    if is_songbook(root):
        raise root.place.fault("this is a songbook, no chain file; chainkit songs renders it")
    check_format(root)
    faults, reader = Faults(), walk.Reader()
    head: dict[str, Any] = {}
    stages: list[tuple[Stage, str]] = []
    with faults:
        walk.check_keys(root, KEYS, "a chain file")
    for key, form in HEAD.items():
        with faults:
            head[key] = walk.scalar(root, key, form)
    with faults:
        stages = _stages(root, reader, folder)
    faults.tell()
    return Chain(
        tuple(stage for stage, _ in stages),
        name=head["name"] or "",
        notes=head["notes"] or "",
        working_level=head["working_level"],
        source=source,
        places=reader.places,
        ride_files=tuple(os.path.join(folder, name) for _, name in stages if name),
    )


def _stages(root: Mapping, reader: walk.Reader, folder: str) -> list[tuple[Stage, str]]:
    """Each stage, and the ride file that its points came from or nothing."""
    node = root.values.get("stages")
    if not isinstance(node, Sequence):
        found = "missing" if node is None else f"found {what(node)}"
        place = root.place if node is None else node.place
        told = f"stages is due, a list of stages such as '- eq: …'; {found}"
        raise place.fault(told, Known("stages", text_of(node), walk.LIST))

    def read(index: int, item: Any) -> tuple[Stage, str]:
        stage = _stage(item, reader, index)
        loaded = with_points(stage, folder, reader.places.get((index, "file")))
        return loaded, stage.file if isinstance(stage, Ride) else ""

    return each(read, range(len(node.items)), node.items)


def _stage(node: Any, reader: walk.Reader, index: int) -> Stage:
    if not isinstance(node, Mapping) or len(node.values) != 1:
        found = what(node) if not isinstance(node, Mapping) else f"{len(node.values)} keys"
        told = f"a stage is a mapping with one key, its kind; found {found}"
        raise node.place.fault(told, Known(value=text_of(node), allowed=lambda: KINDS))
    kind, settings = next(iter(node.values.items()))
    if kind not in KINDS:
        allowed = f"allowed are {', '.join(KINDS)}{nearest(kind, KINDS)}"
        raise node.keys[kind].fault(f"no stage {brief(kind)}; {allowed}", one_of(KINDS, kind))
    return reader.settings(KINDS[kind], settings, (index,), kind)


def is_songbook(root: Mapping) -> bool:
    """Whether a file is a songbook, perhaps a faulty one, rather than a chain file."""
    return "stages" not in root.values and any(key in root.values for key in ("songs", "chains"))


def check_format(root: Mapping) -> None:
    """Raise a fault unless the file says ``chainkit: 1``."""
    version = root.values.get("chainkit")
    known = Known("chainkit", text_of(version), lambda: (FORMAT,))
    if version is None:
        raise root.place.fault("the format version is missing; write 'chainkit: 1' first", known)
    if known.value != FORMAT:
        told = f"chainkit {what(version)} is not a known format version; use {FORMAT}"
        raise version.place.fault(told, known)
