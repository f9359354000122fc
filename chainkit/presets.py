"""Finds preset chains: those shipped inside the package first, then those of the checkout.

A preset is a chain file; its name is the file's, without ``.yaml``.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from chainkit.errors import UsageError
from chainkit.units import nearest

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
        hint = _near(name, found) or "; chainkit presets lists them"
        raise UsageError(f"no preset {name!r}{hint}")
    return found[name]


def find_chain(text: str) -> Path:
    """Path of the chain file that `text` names: a file, else the preset of that name.

    A text that looks like a file stays one, so that a missing file is reported as missing.

    Raises
    ------
    UsageError
        There is neither; the message names the preset that is near.
    """
    path = Path(text)
    if path.exists() or len(path.parts) > 1:
        return path
    if path.suffix in SUFFIXES:
        hint = _near(path.stem, _found()).replace("mean", "mean the preset")
        if hint:
            raise UsageError(f"no chain file {text!r}{hint}")
        return path
    try:
        return preset_path(text)
    except UsageError as fault:
        raise UsageError(f"no chain file {text!r}, and {fault}") from None


def _near(name: str, names: Iterable[str]) -> str:
    """``; did you mean 'quiet-verse'?``, also where a word of a name was given; or nothing."""
    word = name.lower()
    holding = [one for one in names if len(word) > 2 and word in one]
    return nearest(name, names) or (nearest(holding[0], holding) if holding else "")


def _found() -> dict[str, Path]:
    """Name to path, of the first folder that is there."""
    folder = next((folder for folder in _FOLDERS if folder.is_dir()), None)
    return {path.stem: path for path in folder.glob("*.yaml")} if folder else {}
