"""The comparison itself: renders, matches, mixes, squeezes and measures every candidate."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TypeVar

import numpy as np

from chainkit.audio.reader import BLOCK, AudioReader, Progress
from chainkit.audio.writer import AudioWriter
from chainkit.chain.stream import Audio, Prepared, measure_loudness
from chainkit.compare.candidates import Candidate
from chainkit.compare.interplay import Effect, interplay
from chainkit.compare.matching import apart, matching_gains, residual
from chainkit.compare.mixing import FittedBacking, widened
from chainkit.compare.squeeze import Squeeze, find_squeeze, squeezed
from chainkit.dsp.audibility import HOP, ThirdOctaves, audibility, third_octave_powers
from chainkit.dsp.delay import Queue
from chainkit.dsp.levels import difference, to_gain
from chainkit.dsp.loudness import LoudnessMeter
from chainkit.dsp.meter import Measurement, VoiceMeter
from chainkit.dsp.truepeak import TruePeakMeter
from chainkit.errors import UsageError
from chainkit.process import cores
from chainkit.record import prepared_chain
from chainkit.rendering import Options, Result, render

SAME_DB = -200.0
"""Residual below which two candidates differ by the rounding of their samples alone."""
SOUNDING_DB = 50.0
"""Windows less than this many dB below the voice's loudest one count in the audibility."""

Item = TypeVar("Item")
Found = TypeVar("Found")


@dataclass(frozen=True)
class Request:
    """What to compare and how.

    Parameters
    ----------
    voice : str
    candidates : tuple of Candidate
    backing : FittedBacking or None
    voice_level : float or None, LU
        Loudness of the voice against the backing; as in the files if None.
    squeeze : float or None, LUFS
        Loudness to which the stand-in for mastering drives each candidate.
    jobs : int or None
        Candidates worked on at a time; as many as there are cores if None.
    """

    voice: str
    candidates: tuple[Candidate, ...]
    backing: FittedBacking | None = None
    voice_level: float | None = None
    squeeze: float | None = None
    jobs: int | None = None


@dataclass(frozen=True)
class View:
    """One candidate as it is heard: alone, in the mix, squeezed.

    Parameters
    ----------
    path : Path
    gain : float, dB
        What matched it.
    loudness : float or None, LUFS
    true_peak : float or None, dBTP
    """

    path: Path
    gain: float
    loudness: float | None
    true_peak: float | None


@dataclass
class Outcome:
    """One candidate, treated.

    Attributes
    ----------
    candidate : Candidate
    result : Result
        Of the render, before the match.
    raw : AudioReader
        The render in float64.
    prepared : Prepared
        The chain with measured values.
    views : dict of str to View
    effects : tuple of Effect
        How much each stage makes later ones work.
    residual_db : float or None
        Against the first candidate, after the match; minus infinity where they are equal sample
        for sample, None where there is no voice to compare.
    squeezed_index_db : float or None
        Sibilance index of the voice under the squeeze.
    clear : ndarray or None
        Audibility of the voice in each window of 50 ms; NaN where it does not sound.
    same_as : str or None
        An earlier candidate with the same audio.
    """

    candidate: Candidate
    result: Result
    raw: AudioReader
    prepared: Prepared
    views: dict[str, View] = field(default_factory=dict)
    effects: tuple[Effect, ...] = ()
    residual_db: float | None = None
    squeezed_index_db: float | None = None
    clear: Audio | None = None
    same_as: str | None = None

    @property
    def after(self) -> Measurement:
        """Figures of the render."""
        return self.result.after

    @property
    def squeeze_rise_db(self) -> float | None:
        """How far the sibilance index rises under the squeeze."""
        return difference(self.squeezed_index_db, self.after.sibilance_index_db)

    @property
    def clear_percent(self) -> float | None:
        """Mean audibility in percent over the windows in which the voice sounds."""
        if self.clear is None or not np.isfinite(self.clear).any():
            return None
        return 100.0 * float(np.nanmean(self.clear))


@dataclass(frozen=True)
class Comparison:
    """All candidates, treated; the first is what the others are compared with."""

    request: Request
    voice: AudioReader
    outcomes: tuple[Outcome, ...]
    voice_level: float | None

    @property
    def first(self) -> Outcome:
        """The candidate that the others are compared with."""
        return self.outcomes[0]


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

    For each candidate four on the voice alone, three in the mix, two under the squeeze.
    """
    each = 4 + 3 * (request.backing is not None) + 2 * (request.squeeze is not None)
    return len(request.candidates) * each


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
        self.level: float | None = None
        self.beneath: float | None = None
        self.backing_powers: Audio | None = None

    def run(self) -> Comparison:
        request = self.request
        for candidate in request.candidates:
            candidate.chain.check(self.voice.rate)
        outcomes = self._each(self._treat, request.candidates)
        self._each(self._work_together, outcomes)
        gains = self._voice_gains(outcomes)
        self._each(self._write_voice, list(zip(outcomes, gains, strict=True)))
        self._each(self._difference, [(outcomes[0], outcome) for outcome in outcomes])
        for n, outcome in enumerate(outcomes):
            outcome.same_as = self._twin(outcome, outcomes[:n])
        if request.backing is not None:
            self._mix(request.backing, outcomes)
        if request.squeeze is not None:
            self._squeeze(request.squeeze, outcomes)
        return Comparison(request, self.voice, tuple(outcomes), self.level)

    def _each(self, work: Callable[[Item], Found], items: Sequence[Item]) -> list[Found]:
        """Results of `work` on each item, in order."""

        def told(item: Item) -> Found:
            found = work(item)
            if self.progress is not None:
                self.progress(1)
            return found

        jobs = self.request.jobs or cores()
        with ThreadPoolExecutor(min(jobs, len(items))) as pool:
            futures = [pool.submit(told, item) for item in items]
            try:
                return [future.result() for future in futures]
            except BaseException:
                pool.shutdown(cancel_futures=True)
                raise

    # -------------------------------------------------------------------- render and compare dry
    def _treat(self, candidate: Candidate) -> Outcome:
        raw = self.scratch / f"{candidate.slug}.w64"
        result = render(self.request.voice, candidate.chain, raw, Options(subtype="DOUBLE"))
        prepared = prepared_chain(result.record, raw)
        return Outcome(candidate, result, AudioReader(raw), prepared)

    def _work_together(self, outcome: Outcome) -> None:
        outcome.effects = interplay(
            outcome.prepared, self.voice.rate, self.voice.channels, lambda: self.voice.blocks(BLOCK)
        )

    def _voice_gains(self, outcomes: list[Outcome]) -> list[float]:
        """Gains to the first candidate's loudness, all lowered where a peak would be too high."""
        loudness = [outcome.after.integrated_lufs for outcome in outcomes]
        peaks = [outcome.after.true_peak_dbtp for outcome in outcomes]
        return matching_gains(loudness, peaks, loudness[0])

    def _write_voice(self, pair: tuple[Outcome, float]) -> None:
        outcome, gain = pair
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

    def _difference(self, pair: tuple[Outcome, Outcome]) -> None:
        first, outcome = pair
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
    def _mix(self, backing: FittedBacking, outcomes: list[Outcome]) -> None:
        self.beneath = backing.loudness(BLOCK)
        self.level = self._voice_level(backing)
        self.backing_powers = third_octave_powers(backing.blocks(BLOCK), self.voice.rate)
        placed = self._each(self._place, outcomes)
        mixed = self._each(self._measure_mix, list(zip(outcomes, placed, strict=True)))
        loudness, peaks = zip(*mixed, strict=True)
        gains = matching_gains(loudness, peaks, loudness[0])
        self._each(self._write_mix, list(zip(outcomes, placed, gains, strict=True)))

    def _voice_level(self, backing: FittedBacking) -> float:
        """LU of the voice against the backing: as asked for, else as in the files."""
        if self.request.voice_level is not None:
            return self.request.voice_level
        voice = self._loudness_in(backing, self.voice)
        if voice is None or self.beneath is None:
            raise UsageError("voice or backing is silent: there is no mix to compare in")
        return voice - self.beneath

    def _place(self, outcome: Outcome) -> float:
        """Gain in dB that gives the voice its loudness against the backing."""
        voice = self._loudness_in(self._backing(), outcome.raw)
        if voice is None or self.beneath is None or self.level is None:
            return 0.0
        return self.beneath + self.level - voice

    def _loudness_in(self, backing: FittedBacking, voice: AudioReader) -> float | None:
        """Loudness in LUFS of `voice` on the channels of the mix."""
        wide = (widened(block, backing.channels) for block in voice.blocks(BLOCK))
        return measure_loudness(wide, voice.rate, backing.channels)

    def _backing(self) -> FittedBacking:
        if self.request.backing is None:
            raise ValueError("there is no backing")
        return self.request.backing

    def _mixed(self, outcome: Outcome, placed: float) -> Iterator[tuple[Audio, Audio]]:
        """Blocks of the mix, and of the voice in it."""
        backing, factor = self._backing(), to_gain(placed)
        blocks = zip(outcome.raw.blocks(BLOCK), backing.blocks(BLOCK), strict=True)
        for voice, beneath in blocks:
            placed_voice = factor * widened(voice, backing.channels)
            yield placed_voice + beneath, placed_voice

    def _measure_mix(self, pair: tuple[Outcome, float]) -> tuple[float | None, float | None]:
        """Loudness and true peak of the mix; notes how far the voice stands clear."""
        outcome, placed = pair
        backing = self._backing()
        meter = LoudnessMeter(self.voice.rate, backing.channels)
        peaks = TruePeakMeter(backing.channels)
        powers = ThirdOctaves(self.voice.rate)
        for mix, voice in self._mixed(outcome, placed):
            meter.add(mix)
            peaks.add(mix)
            powers.add(voice)
        outcome.clear = self._clear(powers.powers())
        return meter.integrated(), peaks.dbtp()

    def _clear(self, voice: Audio) -> Audio:
        if self.backing_powers is None:
            raise ValueError("the backing has not been measured")
        total = voice.sum(axis=1)
        sounding = total > total.max(initial=0.0) * 10 ** (-SOUNDING_DB / 10)
        clear = audibility(voice, self.backing_powers, self.voice.rate)
        return np.where(sounding, clear, np.nan)

    def _write_mix(self, item: tuple[Outcome, float, float]) -> None:
        outcome, placed, gain = item
        factor = to_gain(gain)
        blocks = (factor * mix for mix, _ in self._mixed(outcome, placed))
        outcome.views["mix"] = self._write(outcome, "mix", blocks, placed + gain)

    # ----------------------------------------------------------------------------- under squeeze
    def _squeeze(self, target: float, outcomes: list[Outcome]) -> None:
        """Squeeze what is heard; where the target is out of reach, all go down to the quietest."""
        found = self._each(lambda outcome: self._find_squeeze(outcome, target), outcomes)
        loudness = [how.loudness for how in found]
        quietest = min((level for level in loudness if level is not None), default=None)
        gains = matching_gains(loudness, [None] * len(found), quietest)
        self._each(self._write_squeezed, list(zip(outcomes, found, gains, strict=True)))

    def _heard(self, outcome: Outcome) -> tuple[AudioReader, int]:
        """The view that is squeezed, and its channels: the mix if there is one."""
        view = "mix" if "mix" in outcome.views else "voice"
        return AudioReader(outcome.views[view].path), self._channels(view)

    def _find_squeeze(self, outcome: Outcome, target: float) -> Squeeze:
        source, channels = self._heard(outcome)
        return find_squeeze(lambda: source.blocks(BLOCK), self.voice.rate, channels, target)

    def _write_squeezed(self, item: tuple[Outcome, Squeeze, float]) -> None:
        """Write the squeezed view, and measure the voice under the gain that this took."""
        outcome, found, gain = item
        how = replace(found, trim=found.trim + gain)
        source, channels = self._heard(outcome)
        meter = VoiceMeter(self.voice.rate, self.voice.channels)
        blocks = self._squeezed(outcome, source, channels, how, meter)
        whole = how.lift + how.drive + how.trim
        outcome.views["squeezed"] = self._write(outcome, "squeezed", blocks, whole)
        outcome.squeezed_index_db = meter.finish().sibilance_index_db

    def _squeezed(
        self,
        outcome: Outcome,
        source: AudioReader,
        channels: int,
        how: Squeeze,
        meter: VoiceMeter,
    ) -> Iterator[Audio]:
        """The squeezed view; the voice alone, under the same gain, goes to `meter`."""
        voice, blocks = Queue(self.voice.channels), outcome.raw.blocks(BLOCK)
        for audio, gain in squeezed(source.blocks(BLOCK), self.voice.rate, channels, how):
            while len(voice) < len(gain):
                voice.put(next(blocks))
            meter.add(gain * voice.take(len(gain)))
            yield audio


def _scaled(outcome: Outcome, gain: float) -> Iterator[Audio]:
    factor = to_gain(gain)
    return (factor * block for block in outcome.raw.blocks(BLOCK))


def _residual(first: Outcome, other: Outcome) -> float | None:
    """Residual of two voices, once both are equally loud."""
    one, two = (_scaled(outcome, outcome.views["voice"].gain) for outcome in (first, other))
    return residual(one, two)


def clear_over_time(outcome: Outcome) -> list[float | None]:
    """Audibility averaged over every half second; None where the voice does not sound."""
    if outcome.clear is None:
        return []
    count = round(0.5 / HOP)
    rows = [outcome.clear[n : n + count] for n in range(0, len(outcome.clear), count)]
    return [float(np.nanmean(row)) if np.isfinite(row).any() else None for row in rows]
