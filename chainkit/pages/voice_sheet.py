"""The work on a voice of a record with its recall sheet, which is written beside the output."""

from __future__ import annotations

import gc
from functools import partial
from pathlib import Path

from markupsafe import escape

from chainkit.audio.atomic import atomic_file
from chainkit.gainlog import read_log
from chainkit.record import Outputs
from chainkit.songbook import work
from chainkit.songbook.model import Voice
from chainkit.songbook.naming import SHEET
from chainkit.songbook.rows import listed
from chainkit.songbook.work import Outcome

HEAD = 1 << 15  # characters in which the description of a page stands


def tend(found: Outcome, *, allow_clipping: bool = False) -> Outcome:
    """Render a voice that is to be rendered, and write its recall sheet."""
    return work.guarded(partial(_tend, allow_clipping=allow_clipping), found)


def lacks_sheet(voice: Voice) -> bool:
    """Whether there is no recall sheet, or one that is older than the render record.

    Or one that tells of another song number, record or change: the render may be the same.
    """
    sheet = sheet_path(voice.output)
    try:
        if sheet.stat().st_mtime_ns < Outputs(voice.output).record.stat().st_mtime_ns:
            return True
        with open(sheet, encoding="utf-8", errors="replace") as file:
            return f'content="{escape(about(voice))}"' not in file.read(HEAD)
    except FileNotFoundError:
        return True


def about(voice: Voice) -> str:
    """What the songbook says of a voice, in a line."""
    return ", ".join(filter(None, (place(voice), voice.title, voice.name, listed(voice.own))))


def place(voice: Voice) -> str:
    """``Name of the record, song 3``."""
    return ", ".join(filter(None, (voice.record, f"song {voice.number}")))


def sheet_path(output: Path) -> Path:
    """Recall sheet beside an output."""
    return output.with_name(f"{output.stem}{SHEET}")


def _tend(found: Outcome, allow_clipping: bool) -> Outcome:
    # Drawing is slow to import, and this is not the process that hands the work out.
    from chainkit.pages.recall import recall_sheet

    if found.state == work.STALE:
        found = work.render_voice(found, allow_clipping=allow_clipping)
    voice = found.voice
    log = read_log(Outputs(voice.output).log)
    page = recall_sheet(
        found.record or {},
        log,
        title=f"{voice.title}: {voice.name}",
        place=place(voice),
        own=voice.own,
        about=about(voice),
    )
    with atomic_file(sheet_path(voice.output), force=True) as file:
        file.write(page)
    gc.collect(1)  # drawings hold themselves in circles, and would pile up from song to song
    return found
