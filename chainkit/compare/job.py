"""The comparison itself: renders, matches, mixes, squeezes and measures every candidate."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Any, TypeVar

from chainkit.audio.reader import AudioReader, Progress
from chainkit.audio.writer import AudioWriter
from chainkit.chain.stream import Audio, metered
from chainkit.compare.candidates import Candidate
from chainkit.compare.interplay import interplay
from chainkit.compare.matching import apart, matching_gains, residual
from chainkit.compare.mixing import FittedBacking, Mix, MixMeasurement
from chainkit.compare.model import Comparison, Outcome, Request, View
from chainkit.compare.squeeze import Squeeze, find_squeeze, squeezed
from chainkit.dsp.delay import Queue
from chainkit.dsp.levels import to_gain
from chainkit.dsp.loudness import LoudnessMeter
from chainkit.dsp.meter import VoiceMeter
from chainkit.dsp.truepeak import TruePeakMeter
from chainkit.errors import UsageError
from chainkit.process import cores
from chainkit.record import prepared_chain
from chainkit.rendering import Options, render

SAME_DB = -200.0
"""Residual below which two candidates differ by the rounding of their samples alone."""

Found = TypeVar("Found")


def compare(
    request: Request, directory: Path, scratch: Path, progress: Progress | None = None
) -> Comparison:
    """Render and match every candidate; write ``audio/CANDIDATE.VIEW.wav`` into `directory`.

    Parameters
    ----------
    request : Request
    directory : Path
        An existing folder.
    scratch : Path
        An existing folder for the renders in float64, 8 bytes a sample; the caller removes it.
    progress : callable or None
        Called with 1 for each of the `steps` that is done.

    Raises
    ------
    UsageError
        There is nothing to compare.
    AudioFileError, OutputError
        The voice or the backing cannot be read, or an output cannot be written.
    """
    if not request.candidates:
        raise UsageError("nothing to compare: name a chain")
    (directory / "audio").mkdir(exist_ok=True)
    return _Job(request, directory, scratch, progress).run()


def steps(request: Request) -> int:
    """How many steps a comparison takes, for the length of a progress bar.

    For each candidate five on the voice alone, three in the mix, two under the squeeze.
    """
    each = 5 + 3 * (request.backing is not None) + 2 * (request.squeeze is not None)
    return len(request.candidates) * each


def sizes(request: Request) -> tuple[int, int]:
    """Bytes of the audio that a comparison leaves, and of the renders that it needs meanwhile."""
    voice, backing = AudioReader(request.voice), request.backing
    heard = voice.channels if backing is None else backing.channels
    views = voice.channels + heard * ((backing is not None) + (request.squeeze is not None))
    frames = voice.frames * len(request.candidates)
    return 3 * views * frames, 8 * voice.channels * frames


class _Job:
    """The steps of one comparison; each works on all candidates at once, a thread a candidate."""

    def __init__(
        self, request: Request, directory: Path, scratch: Path, progress: Progress | None
    ) -> None:
        self.request = request
        self.voice = AudioReader(request.voice)
        self.audio = directory / "audio"
        self.scratch = scratch
        self.progress = progress

    def run(self) -> Comparison:
        request = self.request
        for candidate in request.candidates:
            candidate.chain.check(self.voice.rate)
        outcomes = self._each(self._render, request.candidates)
        self._each(self._note_interplay, outcomes)
        self._each(self._write_voice, outcomes, self._voice_gains(outcomes))
        self._each(self._note_residual, outcomes, [outcomes[0]] * len(outcomes))
        for n, outcome in enumerate(outcomes):
            outcome.same_as = self._twin(outcome, outcomes[:n])
        level = None
        if request.backing is not None:
            level = self._mix(request.backing, outcomes)
        if request.squeeze is not None:
            self._squeeze(request.squeeze, outcomes)
        return Comparison(request, self.voice, tuple(outcomes), level)

    def _each(self, work: Callable[..., Found], *columns: Sequence[Any]) -> list[Found]:
        """Results of `work` on each row of `columns`, in order, a thread a row."""

        def told(*row: Any) -> Found:
            found = work(*row)
            if self.progress is not None:
                self.progress(1)
            return found

        jobs = self.request.jobs or cores()
        rows = list(zip(*columns, strict=True))
        with ThreadPoolExecutor(min(jobs, len(rows))) as pool:
            futures = [pool.submit(told, *row) for row in rows]
            try:
                return [future.result() for future in futures]
            except BaseException:
                pool.shutdown(cancel_futures=True)
                raise

    # -------------------------------------------------------------------- render and compare dry
    def _render(self, candidate: Candidate) -> Outcome:
        raw = self.scratch / f"{candidate.slug}.w64"
        result = render(self.request.voice, candidate.chain, raw, Options(subtype="DOUBLE"))
        prepared = prepared_chain(result.record, raw)
        return Outcome(candidate, result, AudioReader(raw), prepared)

    def _note_interplay(self, outcome: Outcome) -> None:
        outcome.effects = interplay(
            outcome.prepared, self.voice.rate, self.voice.channels, self.voice.blocks
        )

    def _voice_gains(self, outcomes: list[Outcome]) -> list[float]:
        """Gains to the first candidate's loudness, all lowered where a peak would be too high."""
        meters = self._each(self._meter, outcomes)
        peaks = [outcome.after.true_peak_dbtp for outcome in outcomes]
        return matching_gains(meters, peaks, meters[0].integrated())

    def _meter(self, outcome: Outcome) -> LoudnessMeter:
        return metered(outcome.raw.blocks(), self.voice.rate, self.voice.channels)

    def _write_voice(self, outcome: Outcome, gain: float) -> None:
        outcome.views["voice"] = self._write(outcome, "voice", _scaled(outcome, gain), gain)

    def _write(self, outcome: Outcome, view: str, blocks: Iterable[Audio], gain: float) -> View:
        """Write one view, measured on the way."""
        path = self.audio / f"{outcome.candidate.slug}.{view}.wav"
        channels = self._channels(view)
        meter = LoudnessMeter(self.voice.rate, channels)
        peaks = TruePeakMeter(channels)
        writer = AudioWriter(
            path, rate=self.voice.rate, channels=channels, container="WAV", subtype="PCM_24"
        )
        with writer:
            for block in blocks:
                writer.write(block)
                meter.add(block)
                peaks.add(block)
        return View(path, gain, meter.integrated(), peaks.dbtp())

    def _channels(self, view: str) -> int:
        backing = self.request.backing
        return self.voice.channels if view == "voice" or backing is None else backing.channels

    def _note_residual(self, outcome: Outcome, first: Outcome) -> None:
        outcome.residual_db = _residual(first, outcome)

    def _twin(self, outcome: Outcome, earlier: list[Outcome]) -> str | None:
        """Name of an earlier candidate whose audio is the same."""
        for n, other in enumerate(earlier):
            if n and apart(other.residual_db, outcome.residual_db):
                continue
            found = _residual(other, outcome) if n else outcome.residual_db
            if found is not None and found <= SAME_DB:
                return other.candidate.name
        return None

    # ------------------------------------------------------------------------------- in the mix
    def _mix(self, backing: FittedBacking, outcomes: list[Outcome]) -> float:
        """Place each voice in the backing, all at one level, which is returned in LU."""
        mix = Mix(self.voice, backing, self.request.voice_level)
        voices = [outcome.raw for outcome in outcomes]
        placed = self._each(mix.place, voices)
        measured = self._each(mix.measure, voices, placed)
        meters = [found.loudness for found in measured]
        peaks = [found.true_peak for found in measured]
        gains = matching_gains(meters, peaks, meters[0].integrated())

        def write(outcome: Outcome, found: MixMeasurement, place: float, gain: float) -> None:
            factor = to_gain(gain)
            blocks = (factor * mixed for mixed, _ in mix.blocks(outcome.raw, place))
            outcome.views["mix"] = self._write(outcome, "mix", blocks, place + gain)
            outcome.clear = found.clear

        self._each(write, outcomes, measured, placed, gains)
        return mix.level

    # ----------------------------------------------------------------------------- under squeeze
    def _squeeze(self, target: float, outcomes: list[Outcome]) -> None:
        """Squeeze what is heard; where the target is out of reach, all go down to the quietest."""
        found = self._each(self._find_squeeze, outcomes, [target] * len(outcomes))
        loudness = [how.loudness for how in found]
        for outcome, reach in zip(outcomes, loudness, strict=True):
            outcome.squeeze_reach = reach
        quietest = min((level for level in loudness if level is not None), default=0.0)
        gains = [0.0 if level is None else quietest - level for level in loudness]
        self._each(self._write_squeezed, outcomes, found, gains)

    def _find_squeeze(self, outcome: Outcome, target: float) -> Squeeze:
        source = _heard(outcome)
        return find_squeeze(source.blocks, source.rate, source.channels, target)

    def _write_squeezed(self, outcome: Outcome, found: Squeeze, gain: float) -> None:
        """Write the squeezed view, and measure the voice under the gain that this took."""
        how = replace(found, trim=found.trim + gain)
        meter = VoiceMeter(self.voice.rate, self.voice.channels)
        blocks = _squeezed(outcome, how, meter)
        whole = how.lift + how.drive + how.trim
        outcome.views["squeezed"] = self._write(outcome, "squeezed", blocks, whole)
        outcome.squeezed_index_db = meter.finish().sibilance_index_db


def _scaled(outcome: Outcome, gain: float) -> Iterator[Audio]:
    factor = to_gain(gain)
    return (factor * block for block in outcome.raw.blocks())


def _heard(outcome: Outcome) -> AudioReader:
    """The view that is squeezed: the mix if there is one."""
    return AudioReader(outcome.views["mix" if "mix" in outcome.views else "voice"].path)


def _squeezed(outcome: Outcome, how: Squeeze, meter: VoiceMeter) -> Iterator[Audio]:
    """The squeezed view; the voice alone, under the same gain, goes to `meter`."""
    source, voice = _heard(outcome), Queue(outcome.raw.channels)
    blocks = outcome.raw.blocks()
    for audio, gain in squeezed(source.blocks(), source.rate, source.channels, how):
        while len(voice) < len(gain):
            voice.put(next(blocks))
        meter.add(gain * voice.take(len(gain)))
        yield audio


def _residual(first: Outcome, other: Outcome) -> float | None:
    """Residual of two voices, once both are equally loud."""
    one, two = (_scaled(outcome, outcome.views["voice"].gain) for outcome in (first, other))
    return residual(one, two)
