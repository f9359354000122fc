"""Render a record's voices and compare the songs.

A songbook names the songs, their voices, a chain for each role and what differs from song to song.
What is current is kept: voice, chain and versions are as when it was rendered, and so is the
output. The rest is rendered, several at a time. A run that was ended is taken up by the next one.
Beside the outputs it writes overview.html, all songs side by side, and a recall sheet for each
voice. Files in the output folder under these names are replaced, but for a sound file that is no
render of chainkit, or was changed since: its voice fails unless --force is given.
"""

from __future__ import annotations

import argparse
from collections.abc import Container, Sequence
from typing import TYPE_CHECKING

from chainkit.cli import show
from chainkit.cli.options import add_json, whole_number
from chainkit.errors import INTERRUPTED, LostError, UsageError
from chainkit.process import cores

if TYPE_CHECKING:
    from pathlib import Path

    from chainkit.songbook.model import Songbook, Voice
    from chainkit.songbook.overview import Overview
    from chainkit.songbook.rows import Row
    from chainkit.songbook.work import Outcome


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's options."""
    parser.add_argument("songbook", metavar="SONGBOOK", help="songbook file (YAML)")
    parser.add_argument(
        "--jobs",
        type=whole_number(1, 1024),
        metavar="N",
        help="how many voices to render at a time, one a core (default: all cores)",
    )
    parser.add_argument(
        "--only",
        action="append",
        default=[],
        metavar="TITLE",
        help="render this song only; may be repeated",
    )
    parser.add_argument(
        "--dry-run", action="store_true", help="tell what would be rendered; write nothing"
    )
    parser.add_argument(
        "--force",
        action="store_true",
        help="render also what is current, and replace sound files that are no renders of chainkit "
        "or were changed since",
    )
    parser.add_argument(
        "--allow-clipping", action="store_true", help="keep integer outputs that clip"
    )
    parser.add_argument(
        "--workers",
        metavar="ADDRESS",
        help="send the work to a dask.distributed scheduler, e.g. tcp://10.0.0.7:8786",
    )
    add_json(parser)


def run(arguments: argparse.Namespace) -> int:
    """Render what is not current; print what was done and the overview; 1 if a voice failed."""
    from chainkit.songbook import load_songbook

    if arguments.workers and arguments.jobs:
        raise UsageError("--jobs is for this machine; with --workers the scheduler decides")
    book = load_songbook(arguments.songbook)
    asked = book.only(arguments.only)
    for remark in book.remarks():
        show.note(remark)
    known: dict[Voice, Outcome] = {}
    try:
        _tend(arguments, book, set(asked), known)
    except KeyboardInterrupt:
        if not known:
            raise
        _tell_ended("interrupted", [known[voice] for voice in asked])
        return INTERRUPTED
    except SystemExit:  # on a signal such as SIGTERM
        if known:
            _tell_ended("ended by a signal", [known[voice] for voice in asked])
        raise
    except LostError as fault:
        _tell_ended(str(fault), [known[voice] for voice in asked])
        return fault.exit_code
    return _told_of(arguments, book, [known[voice] for voice in book.voices], set(asked))


def _told_of(
    arguments: argparse.Namespace, book: Songbook, outcomes: list[Outcome], asked: Container[Voice]
) -> int:
    """Print and write how it stands with all voices; the exit code is that of those asked for."""
    # Imported late: a fault in the songbook is told before numba and libsndfile are loaded.
    from chainkit.songbook.folder import left_behind
    from chainkit.songbook.overview import overview
    from chainkit.songbook.work import FAILED

    compared = overview(book.record, outcomes)
    failures = [found for found in outcomes if found.state == FAILED and found.voice in asked]
    left = [f"{output}.*" for output in left_behind(book)]
    if arguments.json:
        _print_json(compared, outcomes, left)
    else:
        chosen = [found for found in outcomes if found.voice in asked]
        _print(compared, chosen, {_label(outcome) for outcome in failures})
    for outcome in failures:
        for line in outcome.reason.split("\n"):
            show.note(f"{_label(outcome)}: {line}")
    if left:
        told = "left from earlier runs, no voice of this songbook has them any more, and kept"
        show.note(f"{told}: {show.shortened(left)}")
    if not arguments.dry_run and compared.rendered:
        page = _write_page(book, compared)
        if not arguments.json:
            print(f"wrote {page}")
    return 1 if failures else 0


def _tell_ended(why: str, outcomes: Sequence[Outcome]) -> None:
    """Tell how far a run came that was ended."""
    from chainkit.songbook.work import CURRENT, RENDERED

    done = sum(outcome.state in (CURRENT, RENDERED) for outcome in outcomes)
    voices = show.counted(len(outcomes), "voice")
    show.note(f"{why}: {done} of {voices} done; run again to go on")


def _tend(
    arguments: argparse.Namespace,
    book: Songbook,
    chosen: Container[Voice],
    known: dict[Voice, Outcome],
) -> None:
    """Do all that is to be done; `known` holds how it stands with each voice, also on the way."""
    from chainkit.songbook import running

    if arguments.dry_run:
        known |= _found(arguments, book, chosen)
        return
    with running.alone(book.source):
        from chainkit.pages.voice_sheet import lacks_sheet
        from chainkit.songbook.folder import remove_leftovers
        from chainkit.songbook.work import CURRENT, STALE

        remove_leftovers(book)
        known |= _found(arguments, book, chosen)
        due = [
            outcome
            for outcome in known.values()
            if (outcome.state == STALE and outcome.voice in chosen)
            or (outcome.state == CURRENT and lacks_sheet(outcome.voice))
        ]
        _work(arguments, due, known)


def _found(
    arguments: argparse.Namespace, book: Songbook, chosen: Container[Voice]
) -> dict[Voice, Outcome]:
    """How it stands with each voice before anything is written."""
    from chainkit.songbook import running

    found = running.look_at(book.voices, forced=chosen if arguments.force else ())
    return {outcome.voice: outcome for outcome in found}


def _work(
    arguments: argparse.Namespace, due: Sequence[Outcome], known: dict[Voice, Outcome]
) -> None:
    """Render what is `due`, noting in `known` what comes of it."""
    from functools import partial

    from chainkit.pages.voice_sheet import tend
    from chainkit.songbook import cluster, running

    work = partial(tend, allow_clipping=arguments.allow_clipping)
    jobs = arguments.jobs or cores()
    left = {outcome.voice for outcome in due}
    with show.progress("songs", len(due)) as progress:

        def report(outcome: Outcome) -> None:
            known[outcome.voice] = outcome
            left.discard(outcome.voice)
            if progress is not None:
                progress(1)
            if len(left) < jobs:  # a core is idle, and the overview will need what draws
                import chainkit.pages.record_overview  # noqa: F401

        if arguments.workers:
            cluster.run(due, work, arguments.workers, report)
        else:
            running.run(due, work, jobs, report)


def _print(found: Overview, chosen: Sequence[Outcome], failures: Container[str]) -> None:
    """Print how many of the chosen voices were rendered and kept, the table, what stands out.

    Failures are told at the end, and not here.
    """
    from chainkit.songbook.work import STATES

    states = [outcome.state for outcome in chosen]
    counted = [f"{states.count(state)} {state}" for state in STATES if state in states]
    print(": ".join(filter(None, (show.counted(len(chosen), "voice"), ", ".join(counted)))))
    _list([f"{row.label}: {row.note}" for row in found.lacking if row.label not in failures])
    if found.rendered:
        print()
        headers, rows = _table(found)
        words = {number for number, header in enumerate(headers) if header in WORDS}
        show.table("", headers, rows, words)
    _list(found.marks, "* ", "what stands out, the most serious first:")
    _list(found.cured, "  ", "to know, with nothing to do:")


def _list(lines: Sequence[str], bullet: str = "  ", heading: str = "") -> None:
    """Print `lines`, none without a trace."""
    if lines and heading:
        print(f"\n{heading}")
    for line in lines:
        print(f"{bullet}{line}".replace("−", show.minus()))


WORDS = ("song", "title", "voice", "state")
FIGURES = {
    "trim_db": "trim,\ndB",
    "noise_against_voice_db": "noise,\ndB",
    "clipped_runs": "clipped\nplaces",
    "sibilance_index_db": "sibilance\nbefore,\ndB",
    "output_sibilance_index_db": "sibilance\nafter,\ndB",
    "output_loudest_channel_lufs": "loudness,\nLUFS",
    "above_backing_lu": "above\nbacking,\nLU",
}
"""Key and heading; a column without a figure is left out."""


def _table(found: Overview) -> tuple[list[str], list[tuple[object, ...]]]:
    """Headings and rows of the voices that have a render."""
    rows = found.rendered
    numbers = [f"{row.number}{' *' if row.outlying else ''}" for row in rows]
    about = [(row.title, row.name, row.word or None) for row in rows]
    columns: dict[str, Sequence[object]] = dict(
        zip(WORDS, (numbers, *zip(*about, strict=True)), strict=True)
    )
    columns |= {word: [row.figures[key] for row in rows] for key, word in FIGURES.items()}
    columns |= {
        f"{name}\n{_work_of(name, rows)},\ndB": [row.work.get(name) for row in rows]
        for name in found.stage_names
    }
    told = {word: cells for word, cells in columns.items() if any(c is not None for c in cells)}
    return list(told), list(zip(*told.values(), strict=True))


def _work_of(name: str, rows: Sequence[Row]) -> str:
    """Which figure tells how hard a stage works: see `chainkit.songbook.rows.Row.work`."""
    deesses = any(row.stages.get(name, {}).get("kind") == "deess" for row in rows)
    return "in sibi-\nlants" if deesses else "95 %"


def _print_json(found: Overview, outcomes: Sequence[Outcome], left: Sequence[str]) -> None:
    from chainkit.songbook.work import FAILED, STALE

    listed = {
        key: [_told(outcome) for outcome in outcomes if outcome.state == state]
        for key, state in (("failed", FAILED), ("to_render", STALE))
    } | {"left_behind": left}
    show.json(found.as_dict() | listed)


def _told(outcome: Outcome) -> dict[str, object]:
    voice = outcome.voice
    return {
        "number": voice.number,
        "title": voice.title,
        "role": voice.role,
        "name": voice.name,
        "file": str(voice.file),
        "reason": outcome.reason,
    }


def _write_page(book: Songbook, found: Overview) -> Path:
    from chainkit.pages.record_overview import write_overview
    from chainkit.songbook.naming import OVERVIEW

    path = book.output / OVERVIEW
    write_overview(found, path)
    return path


def _label(outcome: Outcome) -> str:
    voice = outcome.voice
    return f"song {voice.number} ({voice.title}), {voice.name}"
