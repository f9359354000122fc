"""Finds preset chains: those shipped inside the package first, then those of the checkout.

A preset is a chain file; its name is the file's, without ``.yaml``.
"""

from __future__ import annotations

from pathlib import Path

from chainkit.errors import UsageError
from chainkit.texts import brief
from chainkit.units import near

_PACKAGE = Path(__file__).resolve().parent
_FOLDERS = (_PACKAGE / "preset_chains", _PACKAGE.parent / "presets")
SUFFIXES = (".yaml", ".yml")


def preset_names() -> list[str]:
    """Names of the presets, sorted."""
    return sorted(_found())


def preset_path(name: str) -> Path:
    """Chain file of the preset called `name`.

    Raises
    ------
    UsageError
        There is no such preset; the message names the nearest.
    """
    found = _found()
    if name not in found:
        raise UsageError(_told_unknown(name))
    return found[name]


def refuse_near(text: str) -> None:
    """Refuse a `text` that names neither file nor preset, where more than that can be told.

    A text that looks like a file, and like no preset, is left to be reported as a missing file.

    Raises
    ------
    UsageError
        Names the preset that is near, or tells where presets are listed.
    """
    path = Path(text)
    if len(path.parts) > 1:
        return
    if path.suffix not in SUFFIXES:
        raise UsageError(f"no chain file {brief(text)}, and {_told_unknown(text)}")
    near = near_preset(text)
    if near:
        raise UsageError(f"no chain file {brief(text)}; did you mean the preset {near!r}?")


def _told_unknown(name: str) -> str:
    near = near_preset(name)
    hint = f"; did you mean {near!r}?" if near else "; chainkit presets lists them"
    return f"no preset {brief(name)}{hint}"


def near_preset(text: str) -> str:
    """Name of the preset that is nearest to a name, or has it as a part; empty where none is."""
    path, names = Path(text), preset_names()
    if len(path.parts) > 1:
        return ""
    word = (path.stem if path.suffix in SUFFIXES else text).lower()
    holding = (name for name in names if len(word) > 2 and word in name)
    return near(word, names) or next(holding, "")


def _found() -> dict[str, Path]:
    """Name to path, of the first folder that is there."""
    folder = next((folder for folder in _FOLDERS if folder.is_dir()), None)
    return {path.stem: path for path in folder.glob("*.yaml")} if folder else {}
