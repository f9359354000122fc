"""Folders that go again where nothing comes of them."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from itertools import takewhile
from pathlib import Path

from chainkit.audio.atomic import PathLike, cannot_write
from chainkit.audio.leftovers import held, pending_name, remove_ended


@contextmanager
def made_folder(path: PathLike, parents: bool = False) -> Iterator[None]:
    """A folder to write to; one that was made here goes again where nothing came into it.

    Parameters
    ----------
    path : str or path
    parents : bool
        Make those that it lies in as well.

    Raises
    ------
    OutputError
        It cannot be made.
    """
    folder = Path(path)
    missing = [*takewhile(lambda place: not place.exists(), folder.parents)] if parents else []
    made: list[Path] = []
    try:
        for place in (*reversed(missing), folder):
            if not place.is_dir():
                _make(place, path)
                made.insert(0, place)
        yield
    finally:
        for place in made:
            with suppress(OSError):  # what it holds keeps it
                place.rmdir()


def _make(place: Path, path: PathLike) -> None:
    try:
        place.mkdir()
    except OSError as fault:
        raise cannot_write(path, fault) from fault


@contextmanager
def pending_folder(path: PathLike) -> Iterator[Path]:
    """A folder beside `path` to make things in, which goes at the end with all it still holds.

    Yields
    ------
    Path

    Raises
    ------
    OutputError
        It cannot be made.
    """
    parent = Path(path).parent
    remove_ended(parent)
    pending, lock = parent / pending_name(), None
    try:
        try:
            lock = held(pending, _new_folder)
        except OSError as fault:
            raise cannot_write(path, fault) from fault
        yield pending
    finally:
        shutil.rmtree(pending, ignore_errors=True)
        if lock is not None:
            os.close(lock)


def _new_folder(pending: Path) -> int | None:
    os.mkdir(pending, 0o700)
    try:
        return os.open(pending, os.O_RDONLY)
    except OSError:  # Windows opens no folders
        return None
