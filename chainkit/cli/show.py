"""How results and progress are shown on a terminal."""

from __future__ import annotations

import sys
from collections.abc import Callable, Container, Iterable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any, Literal


def table(
    title: str,
    headers: Sequence[str],
    rows: Iterable[Sequence[Any]],
    words: Container[int] = (0,),
) -> None:
    """Print a table, the columns of words to the left and those of numbers to the right."""
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    shown = Table(
        title=Text(title) if title else None, title_justify="left", box=None, pad_edge=False
    )
    for number, header in enumerate(headers):
        side: Literal["left", "right"] = "left" if number in words else "right"
        shown.add_column(Text(header), justify=side, overflow="fold")
    for row in rows:
        shown.add_row(*(Text(cell(value)) for value in row))
    # On a terminal the width is the terminal's; in a pipe a table is never broken.
    width = None if sys.stdout.isatty() else 400
    console = Console(width=width, highlight=False)
    with console.capture() as captured:
        console.print(shown, soft_wrap=not sys.stdout.isatty())
    print(captured.get(), end="")


def cell(value: Any) -> str:
    """Text of a table's cell: two decimals for a float, a dash for what does not exist."""
    if value is None:
        return "–"
    return number(value, 2) if isinstance(value, float) else str(value)


def number(value: float, places: int) -> str:
    """`value` with so many decimals; what rounds to zero has no sign."""
    return f"{value:z.{places}f}".replace("-", minus())


def counted(number: int, noun: str) -> str:
    """``1 phrase``, ``5 phrases``."""
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def shortened(words: Sequence[str], most: int = 6, between: str = ", ") -> str:
    """`words` with commas, or what stands `between` them.

    Of more than `most` the rest is counted, and told by ``--json``.
    """
    more = len(words) - most
    rest = f" and {more} more, told by --json" if more > 0 else ""
    return f"{between.join(words[:most])}{rest}"


def minus() -> str:
    """The minus sign, or a hyphen where the terminal's encoding has none."""
    try:
        "−".encode(sys.stdout.encoding or "ascii")
    except UnicodeEncodeError:
        return "-"
    return "−"


def json(value: Any) -> None:
    """Print a result as JSON."""
    from chainkit.plain import as_json

    print(as_json(value), end="")


@contextmanager
def progress(title: str, total: int) -> Iterator[Callable[[int], Any] | None]:
    """A progress bar on stderr where that is a terminal; None elsewhere."""
    if not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.progress import (
        BarColumn,
        Progress,
        TaskProgressColumn,
        TextColumn,
        TimeRemainingColumn,
    )

    columns = (TextColumn(title), BarColumn(), TaskProgressColumn(), TimeRemainingColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(title, total=total)
        yield lambda step: bar.advance(task, step)


def note(message: str) -> None:
    """Print a message for people, on stderr; each line says who speaks."""
    for line in message.split("\n"):
        print(f"chainkit: {line}", file=sys.stderr)
