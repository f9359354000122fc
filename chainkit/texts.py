"""How messages tell what was found."""

from __future__ import annotations

from typing import Any


def brief(value: Any) -> str:
    """`value` as Python writes it, text in quotes, cut where it is long."""
    if isinstance(value, str):
        return repr(cut(value))
    return cut(repr(value))


def cut(text: str) -> str:
    """`text` up to its 60th letter."""
    return text if len(text) <= 60 else f"{text[:60]}…"
