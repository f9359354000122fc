"""What a bench hands to run.py."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass


class Skipped(Exception):
    """A peer that is not there; its text says which."""


@dataclass(frozen=True)
class Pair:
    """Two calls that do the same work; data is made before, outside the timed part.

    Parameters
    ----------
    name : str
        What chainkit does.
    ours : callable
    peer_name : str
    peer : callable
    wanted : str
        The ratio wanted, in words: "at most 0.5".
    """

    name: str
    ours: Callable[[], object]
    peer_name: str
    peer: Callable[[], object]
    wanted: str = ""
