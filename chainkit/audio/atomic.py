"""Output files that appear only when they are complete.

A file is written beside its place under a name of its own, then renamed. What stood there is kept
unless `force` is given, even when it came while we were writing. Files that belong together wait
for one another. What a process that is killed leaves of them is the matter of `leftovers`.
"""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from contextvars import ContextVar
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

from chainkit.audio.chunks import SOUNDS
from chainkit.audio.formats import CONTAINERS
from chainkit.audio.leftovers import held, pending_name, remove_ended
from chainkit.errors import ExistsError, OutputError, UsageError, reason

PathLike = str | os.PathLike[str]


@dataclass
class _Complete:
    """A file that is written and is not yet in its place; `lock` holds it from its creation on."""

    pending: Path
    target: Path
    path: PathLike
    force: bool
    lock: int | None = None

    def put_in_place(self) -> None:
        """Rename it."""
        _put_in_place(self.pending, self.target, self.path, self.force)

    def take_back(self) -> None:
        """Remove it from where it was put; what it has replaced cannot come back."""
        with suppress(OSError):
            placed = not self.pending.exists() or os.path.samefile(self.pending, self.target)
            if placed and not self.force:
                self.target.unlink()

    def leave(self) -> None:
        """Remove what is left under a name of its own, and let go of it."""
        with suppress(OSError):
            self.pending.unlink()
        if self.lock is not None:
            os.close(self.lock)


_waiting: ContextVar[list[_Complete] | None] = ContextVar("waiting", default=None)


@contextmanager
def together() -> Iterator[None]:
    """Let all files that are written inside take their places at the end, or none of them.

    Leaving the block with an exception removes them. Where the first ones are in their places and
    the next cannot follow, those that replaced nothing are taken back.

    Raises
    ------
    OutputError
        One of them cannot be written after all.
    """
    files: list[_Complete] = []
    token = _waiting.set(files)
    try:
        yield
        try:
            for file in files:
                file.put_in_place()
        except BaseException:
            for file in files:
                file.take_back()
            raise
    finally:
        _waiting.reset(token)
        for file in files:
            file.leave()


@contextmanager
def pending_file(path: PathLike, force: bool = False) -> Iterator[Path]:
    """An empty file beside `path` to write to; it takes the place of `path` at the end.

    That is the end of this block, or of the block of `together` around it.

    Leaving the block with an exception removes it.

    Parameters
    ----------
    path : str or path
        Where the complete file belongs. A symbolic link is followed, so that it stays a link.
    force : bool
        Replace a file that is there.

    Yields
    ------
    Path
        The file to write to.

    Raises
    ------
    OutputError
        There is a file already, or it cannot be written: no folder, no permission, full disk.
    """
    target = _target(path)
    _refuse_what_is_there(path, force)
    pending = target.parent / pending_name()
    remove_ended(target.parent)
    complete, waiting = _Complete(pending, target, path, force), _waiting.get()
    try:
        complete.lock = _create(pending, path)
        yield pending
        if waiting is None:
            complete.put_in_place()
        else:
            waiting.append(complete)
    finally:
        if waiting is None or complete not in waiting:
            complete.leave()


@contextmanager
def atomic_file(path: PathLike, force: bool = False, mode: str = "w") -> Iterator[IO[Any]]:
    """Open an output file, no sound file, that appears at `path` only when the block ends well.

    Parameters
    ----------
    path : str or path
    force : bool
        Replace a file that is there.
    mode : {"w", "wb"}
        Text is UTF-8 and its line ends are written as they are given. A byte of a file's name that
        is no UTF-8 is written as JSON's escape for it.

    Yields
    ------
    file object

    Raises
    ------
    UsageError, OutputError
        As `refuse_sound`.
    OutputError
        There is a file already, or it cannot be written: no folder, no permission, full disk.
    """
    refuse_sound(path)
    utf8 = {"encoding": "utf-8", "errors": "backslashreplace", "newline": ""}
    text = {} if "b" in mode else utf8
    with pending_file(path, force) as pending:
        try:
            with open(pending, mode, **text) as file:  # type: ignore[call-overload]
                yield file
        except OSError as fault:
            # A fault of another file carries that file's name; one of writing carries none.
            if fault.filename is not None:
                raise
            raise cannot_write(path, fault) from fault


def refuse_same(source: PathLike, output: PathLike) -> None:
    """Refuse an output that is the input, also by way of a symbolic or a hard link.

    Raises
    ------
    OutputError
        They are one file.
    """
    with suppress(OSError):
        if os.path.samefile(source, output):
            raise OutputError(f"{output} is the input; choose another output")


def refuse_sound(path: PathLike) -> None:
    """Refuse to put what is no sound where a sound file belongs or stands: `force` never means it.

    Raises
    ------
    UsageError
        `path` ends as a sound file does.
    OutputError
        A file that begins as a sound file stands there.
    """
    if os.path.splitext(path)[1].lower() in CONTAINERS:
        told = "is named as a sound file, and what goes there is none"
        raise UsageError(f"{path} {told}; give it its own ending, such as .csv or .yaml")
    if _begins_as_sound(path):
        raise OutputError(f"{path} is a sound file; it is kept")


def refuse_folder(path: PathLike) -> None:
    """Refuse an output that is a folder.

    Raises
    ------
    OutputError
        It is.
    """
    if os.path.isdir(path):
        raise OutputError(f"{path} is a folder; name a file in it")


def cannot_write(path: PathLike, fault: OSError) -> OutputError:
    """The system's reason why `path` cannot be written, as a fault of the user."""
    why = reason(fault)
    if isinstance(fault, FileNotFoundError):
        folder = _target(path).parent
        # Folders that the system makes up, such as /proc, are there and take no file.
        what = "no file can be made in" if folder.is_dir() else "there is no folder"
        why = f"{what} {str(folder)!r}"
    return OutputError.for_want_of(path, why)


def _target(path: PathLike) -> Path:
    """Where `path` leads: a symbolic link is followed."""
    return Path(os.path.realpath(path)) if os.path.islink(path) else Path(path)


def _begins_as_sound(path: PathLike) -> bool:
    with suppress(OSError):
        if os.path.isfile(path):  # to open a pipe would wait for somebody to write to it
            with open(path, "rb") as file:
                return file.read(4).startswith(SOUNDS)
    return False


def _refuse_what_is_there(path: PathLike, force: bool) -> None:
    try:
        mode = os.stat(path).st_mode
    except FileNotFoundError:
        return
    except OSError as fault:
        raise cannot_write(path, fault) from fault
    refuse_folder(path)
    if not stat.S_ISREG(mode):
        raise OutputError(f"{path} is not a regular file")
    if not force:
        raise _exists(path)


def _exists(path: PathLike) -> ExistsError:
    return ExistsError(f"{path} exists already")


def _create(pending: Path, path: PathLike) -> int | None:
    """A descriptor that holds the new file."""
    try:
        return held(pending, _new_file)
    except OSError as fault:
        raise cannot_write(path, fault) from fault


def _new_file(pending: Path) -> int:
    return os.open(pending, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o666)


def _put_in_place(pending: Path, target: Path, path: PathLike, force: bool) -> None:
    try:
        if force:
            _keep_mode(pending, target)
            os.replace(pending, target)
        else:
            _rename_to_new(pending, target)
    except FileExistsError as fault:
        raise _exists(path) from fault
    except OSError as fault:
        raise cannot_write(path, fault) from fault


def _keep_mode(pending: Path, target: Path) -> None:
    """Give the new file the permissions of the one that it replaces."""
    with suppress(OSError):
        pending.chmod(stat.S_IMODE(target.stat().st_mode))


def _rename_to_new(pending: Path, target: Path) -> None:
    """Rename, failing if `target` exists: a hard link does both at once."""
    try:
        os.link(pending, target)
    except FileExistsError:
        raise
    except OSError:  # a file system without hard links: claim the name, then take it
        os.close(os.open(target, os.O_CREAT | os.O_EXCL, 0o666))
        os.replace(pending, target)
