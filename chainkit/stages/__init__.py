"""What can be in a chain: the registry of kinds."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from importlib import import_module

from chainkit.stages.base import Stage


class _Kinds(Mapping[str, type[Stage]]):
    """Kind to class; a stage's file is imported when the kind is first asked for."""

    _CLASSES = {
        "gain": "Gain",
        "ride": "Ride",
        "eq": "Eq",
        "deess": "Deess",
        "compress": "Compress",
    }

    def __getitem__(self, kind: str) -> type[Stage]:
        found: type[Stage] = getattr(import_module(f"chainkit.stages.{kind}"), self._CLASSES[kind])
        return found

    def __iter__(self) -> Iterator[str]:
        return iter(self._CLASSES)

    def __len__(self) -> int:
        return len(self._CLASSES)

    def __contains__(self, kind: object) -> bool:
        return kind in self._CLASSES


KINDS = _Kinds()
