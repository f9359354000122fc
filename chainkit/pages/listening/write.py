"""Puts a listening page on disk, whole or not at all."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from chainkit.audio.atomic import atomic_file, cannot_write
from chainkit.audio.folders import pending_folder
from chainkit.errors import ExistsError
from chainkit.pages.listening.html import render_page
from chainkit.pages.listening.model import ListeningPage
from chainkit.pages.listening.parts import write_parts


def write_listening_page(
    directory: str | Path, page: ListeningPage, *, force: bool = False
) -> Path:
    """Write ``index.html`` and ``listen/`` into `directory`.

    Parameters
    ----------
    directory : path
        Made if it does not exist.
    page : ListeningPage
    force : bool
        Replace a page that is there.

    Returns
    -------
    Path
        The page to open.

    Raises
    ------
    OutputError
        A page is there already, or the folder cannot be written.
    AudioFileError
        A source cannot be read.
    ClippingError
        A source passes full scale.

    Notes
    -----
    Memory does not grow with the length of the sources. The parts are written beside their place
    and moved there when they are complete; ``index.html`` comes last.
    """
    directory = Path(directory)
    index = directory / "index.html"
    for existing in (index, directory / "listen"):
        if existing.exists() and not force:
            raise ExistsError(f"{existing} exists already")
    text = render_page(page)
    with _staged(directory / "listen") as staging:
        write_parts(staging, page)
    with atomic_file(index, force=force) as stream:
        stream.write(text)
    return index


@contextmanager
def _staged(target: Path) -> Iterator[Path]:
    """A fresh folder that takes the place of `target` when the block ends well."""
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        with pending_folder(target) as scratch:
            staging = scratch / "listen"
            staging.mkdir()
            yield staging
            if target.exists():
                shutil.move(target, scratch / "replaced")
            staging.rename(target)
    except OSError as fault:
        raise cannot_write(target, fault) from fault
