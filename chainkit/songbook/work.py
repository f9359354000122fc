"""The work on one voice: is its render current, and if not, render it.

The render record beside the output is the mark of a complete render: it is written last. A render
is current when its record tells of the same voice, chain and versions, and its output is the one
that was written. So a run that was killed is taken up where it stopped.

A sound file under the name of an output that is no render of ours, or one that was changed since,
is kept (`ours.py`).
"""

from __future__ import annotations

import copy
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any, NamedTuple

from chainkit.audio.reader import AudioReader, sha256
from chainkit.chain.faults import Faults
from chainkit.chain.stream import measure_loudness
from chainkit.doubts import Extent
from chainkit.errors import (
    AudioFileError,
    ChainFileError,
    ChainkitError,
    ExistsError,
    Known,
    OutputError,
    reason,
)
from chainkit.record import Outputs, load_record, seen_from, told_output, versions
from chainkit.rendering import Options, render
from chainkit.songbook.model import Voice
from chainkit.songbook.ours import is_ours

STATES = CURRENT, RENDERED, STALE, FAILED = "current", "rendered", "to render", "failed"
NEVER, FORCED = "never rendered", "asked for"


class HeardBacking(NamedTuple):
    """What a backing tells: its integrated loudness in LUFS, None for silence, and its extent."""

    lufs: float | None
    extent: Extent


@dataclass(frozen=True)
class Outcome:
    """How it stands with one voice.

    Parameters
    ----------
    voice : Voice
    state : str
        ``current``, ``to render``, ``rendered`` or ``failed``.
    reason : str
        Why it is to be or was rendered, or what failed, a line each.
    record : dict or None
        The render record that is there: of a current render, or of an earlier one.
    backing : HeardBacking or None
        What the voice is heard against, where the songbook names it.
    """

    voice: Voice
    state: str
    reason: str = ""
    record: dict[str, Any] | None = None
    backing: HeardBacking | None = None


Work = Callable[[Outcome], Outcome]
"""Work on a voice takes how it stands and returns how it stands then; it does not raise."""


def guarded(work: Work, found: Outcome) -> Outcome:
    """Outcome of `work`; whatever goes wrong becomes the outcome, so that the other songs go on."""
    try:
        return work(found)
    except ChainkitError as fault:
        return replace(found, state=FAILED, reason=fault.told)
    except Exception as fault:
        return replace(found, state=FAILED, reason=f"{type(fault).__name__}: {fault}")


def look(voice: Voice, *, force: bool = False) -> Outcome:
    """Whether the render of `voice` is current, or to be made in any case; nothing is written."""
    return guarded(partial(_look, force=force), Outcome(voice, STALE, NEVER, _record_of(voice)))


def render_voice(found: Outcome, *, allow_clipping: bool = False) -> Outcome:
    """Render the voice, replacing what stands under the names of its output."""
    voice = found.voice
    folder = voice.output.parent
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as fault:
        raise OutputError(f"the folder {folder} cannot be made: {reason(fault)}") from None
    options = Options(force=True, allow_clipping=allow_clipping)
    try:
        record = render(voice.file, voice.chain, voice.output, options).record
    except BaseException:
        with suppress(OSError):
            folder.rmdir()  # only where nothing else stands in it
        raise
    backing = found.backing or _backing(voice)
    return Outcome(voice, RENDERED, found.reason, record, backing)


def refuse_unfit(voice: Voice) -> None:
    """Raise the faults of a voice that show before any work is done.

    Parameters
    ----------
    voice : Voice

    Raises
    ------
    ChainFileError
        A file is missing or evidently no sound, or the chain does not suit the sample rate.
    ExistsError
        A file that is no render of ours, or was changed since, stands under the name of its output.
    """
    _open_inputs(voice)
    _refuse_foreign(voice, _record_of(voice))


def _refuse_foreign(voice: Voice, record: dict[str, Any] | None) -> None:
    outputs = Outputs(voice.output)
    if not is_ours(outputs, record):
        changed = told_output(record) == seen_from(outputs.record.parent, outputs.audio)
        why = "was changed since it was rendered" if changed else "is no render of chainkit"
        raise ExistsError(f"{outputs.audio} exists already and {why}")


def _look(found: Outcome, force: bool) -> Outcome:
    voice = found.voice
    _open_inputs(voice)
    reason = staleness(voice, found.record, force=force)
    if reason and not force:  # of what is current the hash was right
        _refuse_foreign(voice, found.record)
    backing = None if found.record is None else _backing(voice)
    return replace(found, state=STALE if reason else CURRENT, reason=reason, backing=backing)


def _open_inputs(voice: Voice) -> None:
    if voice.faults:
        raise ChainFileError.together(voice.faults)
    faults = Faults()
    with faults:
        voice.chain.check(_opened(voice.file, voice, "file").rate)
    if voice.backing is not None:
        with faults:
            _opened(voice.backing, voice, "backing")
    faults.tell()


def _opened(path: Path, voice: Voice, key: str) -> AudioReader:
    place = voice.places[key]
    try:
        return AudioReader(path)
    except AudioFileError as fault:
        raise place.fault(str(fault), Known(key, place.text)) from None


def _record_of(voice: Voice) -> dict[str, Any] | None:
    try:
        return load_record(Outputs(voice.output).record)
    except ChainkitError:
        return None


def staleness(voice: Voice, record: dict[str, Any] | None, *, force: bool = False) -> str:
    """Why the render that `record` tells of is not that of `voice`; empty when it is.

    What is quick to find out comes first, and is all that is looked at with `force`.
    """
    try:
        return _settled(voice, record) or (FORCED if force else _contents(voice, record or {}))
    except (KeyError, TypeError, ValueError, AttributeError):
        return "its record is damaged"


def _settled(voice: Voice, record: dict[str, Any] | None) -> str:
    outputs = Outputs(voice.output)
    if record is None:
        return NEVER
    if not (outputs.audio.is_file() and outputs.log.is_file()):
        return "a file of the render is gone"
    if record.get("versions") != versions():
        return "made by other versions"
    asked, now = asked_chain(record), voice.chain.resolved().as_dict()
    if asked != now:
        same = _without_points(asked) == _without_points(now)
        return f"the {'rides have' if same else 'chain has'} changed since"
    return ""


def _contents(voice: Voice, record: dict[str, Any]) -> str:
    if sha256(voice.file) != record["voice"]["sha256"]:
        return "the voice has changed since"
    if sha256(Outputs(voice.output).audio) != record["output"]["sha256"]:
        return "the output has changed since"
    return ""


def asked_chain(record: dict[str, Any]) -> dict[str, Any]:
    """The chain of a record as it was asked for: ``match`` where a makeup was found by matching."""
    chain = copy.deepcopy(record["chain"])
    for stage in chain["stages"]:
        ((_, settings),) = stage.items()
        if settings["name"] in record["matched_makeup_db"]:
            settings["makeup"] = "match"
    return chain


def _without_points(chain: dict[str, Any]) -> dict[str, Any]:
    stages = [
        {kind: {key: value for key, value in settings.items() if key != "points"}}
        for stage in chain["stages"]
        for kind, settings in stage.items()
    ]
    return chain | {"stages": stages}


def _backing(voice: Voice) -> HeardBacking | None:
    if voice.backing is None:
        return None
    reader = AudioReader(voice.backing)
    loudness = measure_loudness(reader.blocks(), reader.rate, reader.channels)
    return HeardBacking(loudness, reader.extent)
