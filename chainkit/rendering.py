"""Streams a voice through a chain and writes all that a render leaves."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass, replace
from functools import partial
from operator import call
from pathlib import Path
from typing import IO, Any

from chainkit.audio.atomic import atomic_file, cannot_write, refuse_folder, refuse_same
from chainkit.audio.formats import output_format
from chainkit.audio.metadata import BroadcastLoudness
from chainkit.audio.reader import AudioReader, Progress, sha256
from chainkit.audio.writer import AudioWriter
from chainkit.chain import Chain
from chainkit.chain.stream import Audio, ChainStream, Prepared, prepare
from chainkit.dsp.meter import Measurement, VoiceMeter
from chainkit.errors import ChainkitError, ExistsError
from chainkit.gainlog import DetailLog, GainLog
from chainkit.pipeline import Behind, Meanwhile, ahead, threaded
from chainkit.plain import as_json
from chainkit.record import (
    FORMAT,
    Outputs,
    describe_chain,
    describe_file,
    describe_stages,
    levels,
    load_record,
    seen_from,
    told_output,
    versions,
)
from chainkit.stages.compress import is_matched
from chainkit.stages.forms import Amount, Switch, Text, Value, checked
from chainkit.units import LOG_STEPS, SEEDS, TIME

LONGEST = 1 << 18
LONG, SHORT = 1 << 19, 1 << 16
"""Most frames, and samples of all channels, that go through the chain at a time.

Long blocks for two threads, which wait for one another at each, and short ones for one, which stay
in the processor's cache. The result does not depend on it.
"""
WAITING = 4
"""Blocks, of voice and output, that may wait to be measured."""


@dataclass(frozen=True)
class Options:
    """How to render.

    Parameters
    ----------
    subtype : str or None
        Sample format of the output, such as ``PCM_24`` or ``FLOAT``; the voice's if None.
    log_step : float, seconds, 0.0001 to 10
        Length of a row of the gain-reduction log.
    detail : bool
        Write the gain of each frame and stage as well.
    seed : int, 0 to 2**63 - 1
        Of the dither.
    allow_clipping, force : bool
        Keep an output that clips; replace files that are there.

    Raises
    ------
    SettingFault
        A value out of bounds or of another kind; a ValueError.
    """

    subtype: str | None = None
    log_step: float = 0.010
    detail: bool = False
    seed: int = 0
    allow_clipping: bool = False
    force: bool = False

    def __post_init__(self) -> None:
        for key, form in _FORMS.items():
            object.__setattr__(self, key, checked(form, getattr(self, key), (key,)))


class _Seed(Value):
    """A whole number that dither can be seeded with."""

    due = f"a whole number from {SEEDS[0]} to {SEEDS[1]}"

    def takes(self, value: Any) -> bool:
        """Whether it is one."""
        is_whole = isinstance(value, int) and not isinstance(value, bool)
        return is_whole and SEEDS[0] <= value <= SEEDS[1]


_FORMS: dict[str, Value] = {
    "subtype": Text(default=None),
    "log_step": Amount(TIME, *LOG_STEPS),
    "detail": Switch(),
    "seed": _Seed(),
    "allow_clipping": Switch(),
    "force": Switch(),
}
DEFAULTS = Options()


@dataclass(frozen=True)
class Result:
    """What a render left.

    Parameters
    ----------
    record : dict
        The render record.
    files : tuple of Path
        Every file written, the audio first.
    before, after : Measurement
        Of the voice and of the output.
    """

    record: dict[str, Any]
    files: tuple[Path, ...]
    before: Measurement
    after: Measurement


def render(
    voice: str | Path,
    chain: Chain,
    output: str | Path,
    options: Options = DEFAULTS,
    progress: Progress | None = None,
) -> Result:
    """Render the file `voice` through `chain` into the file `output`.

    The log, the record and on demand the detailed gains are written beside it. All appear when all
    are complete: the log ahead of the audio, so that one that tells of it lies beside it whenever
    we are ended, and the record last. Memory does not depend on the length of the voice.

    Parameters
    ----------
    voice, output : str or Path
    chain : Chain
    options : Options
    progress : callable or None

    Returns
    -------
    Result

    Raises
    ------
    UsageError
        A value of the chain does not suit the voice's sample rate, a ChainFileError with its place
        where the chain was read from a file; the output's ending is unknown, or its container does
        not hold such samples, so many channels or so long a sound.
    AudioFileError
        The voice cannot be read or holds a sample that is not finite or no signal.
    OutputError
        An output is there already, cannot be written, would clip, or is the voice itself
        or a folder.
    TypeError
        `chain` or `options` is something else, such as the name of a chain file.
    """
    if not isinstance(chain, Chain):
        raise TypeError(f"chain is a Chain, as chainkit.load_chain gives one; found {chain!r}")
    if not isinstance(options, Options):
        raise TypeError(f"options are an Options, such as Options(force=True); found {options!r}")
    reader = AudioReader(voice)
    refuse_folder(Path(output))  # which may have no name to name the others after
    outputs = Outputs(Path(output))
    _refuse_inputs(outputs, filter(None, (str(voice), chain.file, *chain.ride_files)))
    if not options.force:
        _refuse_shared_record(outputs)
    container, subtype = output_format(reader, output, options.subtype)
    chain.check(reader.rate)
    writer = AudioWriter(
        output,
        rate=reader.rate,
        channels=reader.channels,
        container=container,
        subtype=subtype,
        metadata=reader.metadata,
        seed=options.seed,
        allow_clipping=options.allow_clipping,
        force=options.force,
    )
    # What is opened last appears first.
    with atomic_file(outputs.record, options.force) as record_file, writer, ExitStack() as stack:
        log_file = stack.enter_context(atomic_file(outputs.log, options.force))
        detail_file = (
            stack.enter_context(atomic_file(outputs.detail, options.force, "wb"))
            if options.detail
            else None
        )
        prepared = _prepare(chain, reader, progress)
        pass_ = _Pass(reader, prepared, options, log_file, progress)
        pass_.run(writer, outputs.audio.parent, detail_file)
        writer.metadata = writer.metadata.with_loudness(_broadcast_loudness(pass_.after))
        log_file.flush()
        log_digest = sha256(Path(log_file.name))
        record = _record(reader, writer, chain, prepared, pass_, options, outputs, log_digest)
        record_file.write(as_json(record))
        # All must be on the disk before the first file appears.
        for file in (record_file, log_file, detail_file):
            if file is not None:
                file.flush()
    files = [outputs.audio, outputs.log, outputs.record]
    files += [outputs.detail] if options.detail else []
    return Result(record, tuple(files), pass_.before, pass_.after)


def _refuse_inputs(outputs: Outputs, inputs: Iterable[str]) -> None:
    """Refuse to write over what is read, also by way of a link."""
    if not outputs.audio.parent.is_dir():
        raise cannot_write(outputs.audio, FileNotFoundError())
    for source in inputs:
        for output in (outputs.audio, outputs.log, outputs.detail, outputs.record):
            refuse_same(source, output)


def _refuse_shared_record(outputs: Outputs) -> None:
    """Say whose record stands in the way, where it is that of an output with another ending."""
    try:
        told = told_output(load_record(outputs.record))
    except ChainkitError:
        return
    if told and told != seen_from(outputs.record.parent, outputs.audio):
        why = f"log and record are named after both {told} and {outputs.audio.name}"
        raise ExistsError(f"{outputs.record} exists already: {why}")


def _prepare(chain: Chain, reader: AudioReader, progress: Progress | None) -> Prepared:
    def blocks() -> Iterator[Audio]:
        return ahead(_blocks(reader, progress))

    return prepare(chain, reader.rate, reader.channels, blocks)


def passes(chain: Chain) -> int:
    """How many times a render reads the voice, for the length of a progress bar."""
    matched = list(filter(is_matched, chain.active))
    # The makeup of a mixed voice is tried on all of it, most often three or four times.
    mixed = sum(stage.mix < 1.0 for stage in matched)
    return 1 + (chain.working_level is not None) + len(matched) + 4 * mixed


def _blocks(reader: AudioReader, progress: Progress | None) -> Iterator[Audio]:
    samples = LONG if threaded() else SHORT
    return reader.blocks(min(LONGEST, samples // reader.channels), progress)


class _Pass:
    """The last pass over the voice: chain, log, meters, output."""

    def __init__(
        self,
        reader: AudioReader,
        prepared: Prepared,
        options: Options,
        log_file: IO[str],
        progress: Progress | None,
    ) -> None:
        self.stream: ChainStream = prepared.stream(reader.rate, reader.channels)
        self.digest = Meanwhile(reader.sha256)
        self.hop = max(1, round(options.log_step * reader.rate))
        self.log = GainLog(self.stream, self.hop, log_file)
        self._voice = _blocks(reader, progress)
        self._before = VoiceMeter(reader.rate, reader.channels)
        self._after = VoiceMeter(reader.rate, reader.channels)
        self.before: Measurement
        self.after: Measurement
        self.output_digest: str | None = None

    def run(self, writer: AudioWriter, folder: Path, detail_file: IO[bytes] | None) -> None:
        """Send the voice through and finish the log; the output too, if nothing is to be added."""
        detail = DetailLog(self.stream, folder) if detail_file is not None else None
        try:
            # One thread more, not several: the meters take about as long as all the rest, and
            # threads of Python hinder one another whenever they are not in a loop of numba.
            with Behind(call, WAITING) as measuring:
                for voice, passage in self.stream.passages(self._measured(measuring)):
                    # What is measured and logged is what the sample format can hold.
                    passage = replace(passage, audio=writer.write(passage.audio))
                    measuring.put(partial(self._after.add, passage.audio))
                    self.log.add(voice, passage)
                    if detail is not None:
                        detail.add(passage)
                measuring.put(self._sum_up)  # while the output is hashed
                self.log.finish()
                if detail is not None:
                    detail.pack(detail_file)
                # The meters have yet to catch up, and a broadcast chunk alone tells what they find.
                if not writer.metadata.tells_loudness:
                    self.output_digest = AudioReader(writer.finish()).sha256()
        finally:
            if detail is not None:
                detail.close()

    def _measured(self, measuring: Behind[Callable[[], None]]) -> Iterator[Audio]:
        """The voice, which is measured from when it is read."""
        for voice in self._voice:
            measuring.put(partial(self._before.add, voice))
            yield voice

    def _sum_up(self) -> None:
        self.before, self.after = self._before.finish(), self._after.finish()


def _broadcast_loudness(after: Measurement) -> BroadcastLoudness:
    return BroadcastLoudness(
        integrated=after.integrated_lufs,
        range=after.loudness_range_lu,
        true_peak=after.true_peak_dbtp,
        momentary_max=after.momentary_max_lufs,
        short_term_max=after.short_term_max_lufs,
    )


def _record(
    reader: AudioReader,
    writer: AudioWriter,
    asked: Chain,
    prepared: Prepared,
    pass_: _Pass,
    options: Options,
    outputs: Outputs,
    log_digest: str,
) -> dict[str, Any]:
    folder = outputs.record.parent
    sibilants = [(event.start, event.end) for event in pass_.before.sibilants]
    clipping = writer.clipping
    complete = AudioReader(writer.finish())
    digest = pass_.output_digest or complete.sha256()
    output = describe_file(complete, digest, folder, outputs.audio) | {
        "dithered": writer.dithered,
        "dither_seed": options.seed,
        "clipped_samples": clipping.count if clipping else 0,
        "chunks_left_out": list(writer.left_out),
    }
    return {
        "chainkit_record": FORMAT,
        "voice": describe_file(reader, pass_.digest.result(), folder, reader.path),
        "output": output,
        **describe_chain(asked, prepared, reader.extent.seconds, folder),
        "log": {
            "file": outputs.log.name,
            "sha256": log_digest,
            "frames_a_row": pass_.hop,
        },
        "levels": {"before": levels(pass_.before), "after": levels(pass_.after)},
        "stages": describe_stages(prepared.chain, pass_.log, sibilants),
        "versions": versions(),
    }
