"""A chain in use: audio goes through its stages block by block."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from functools import partial
from numbers import Integral

import numpy as np
from numpy.typing import ArrayLike, NDArray

from chainkit.chain.makeup import matched
from chainkit.chain.model import Chain
from chainkit.dsp.levels import to_gain
from chainkit.dsp.loudness import LoudnessMeter
from chainkit.stages.base import Run, Stage
from chainkit.stages.compress import is_matched
from chainkit.units import MOST_CHANNELS

Audio = NDArray[np.float64]
Blocks = Callable[[], Iterable[Audio]]


@dataclass(frozen=True)
class Tap:
    """What one stage did to one block.

    Parameters
    ----------
    input : ndarray, (frames in, channels)
        Frames given to the stage; not those that belong to `output` while it holds frames back.
    output : ndarray, (frames, channels)
    gain : ndarray, (frames, lanes), dB, or None
        Gain of each frame of `output`; None for a stage that has no single gain.
    """

    input: Audio
    output: Audio
    gain: Audio | None


@dataclass(frozen=True)
class Passage:
    """One block that has left the chain, and what each active stage did meanwhile."""

    audio: Audio
    taps: tuple[Tap, ...]


class ChainStream:
    """One use of a chain; owns the state of its stages.

    A block may come out shorter than it went in, since lookahead and filters hold frames back;
    `finish` returns them. Frame n that comes out always belongs to frame n that went in, and the
    result does not depend on how the voice is cut into blocks.

    Parameters
    ----------
    chain : Chain
        Without ``makeup: match`` and working level: see `prepare`.
    rate : int, Hz
    channels : int
    trim : float, dB
        Gain ahead of the first stage.

    Attributes
    ----------
    runs : tuple of Run
        Of the active stages, in signal order.

    Raises
    ------
    UsageError
        A value does not suit the sample rate.
    ValueError
        A makeup is still to be measured, the rate is none that is taken (`Chain.check`), or the
        channels are not 1 to 32.
    """

    def __init__(self, chain: Chain, rate: int, channels: int, *, trim: float = 0.0) -> None:
        rate = _fitting_rate(chain, rate, channels)
        self.chain = chain
        self.rate = rate
        self.channels = channels
        self._trim = float(to_gain(trim))
        self._finished = False
        self.runs: tuple[Run, ...] = tuple(stage.start(rate, channels) for stage in chain.active)

    def _checked(self, x: ArrayLike) -> Audio:
        if self._finished:
            raise ValueError("the stream is finished; begin another")
        return as_audio(x, self.channels)

    @property
    def latency(self) -> int:
        """Most frames held back in all."""
        return sum(run.latency for run in self.runs)

    def process(self, x: Audio) -> Passage:
        """Send a block through the chain.

        Parameters
        ----------
        x : ndarray, (frames, channels), float, full scale ±1

        Returns
        -------
        Passage
            Its audio may have fewer frames, or none.

        Raises
        ------
        ValueError
            The block has another shape or type, a sample is not finite, or the stream is finished.
        """
        x = self._checked(x)
        # With no stage the product is what leaves, and the caller may fill the block anew.
        x = x * self._trim if self._trim != 1.0 or not self.runs else x
        taps = []
        for run in self.runs:
            y, gain = run.process(x)
            taps.append(Tap(x, y, gain))
            x = y
        return Passage(x, tuple(taps))

    def finish(self) -> Passage:
        """Return the frames that the stages still hold; once.

        Returns
        -------
        Passage

        Raises
        ------
        ValueError
            The stream is finished already.
        """
        x = self._checked(np.empty((0, self.channels)))
        self._finished = True
        taps = []
        for run in self.runs:
            y, gain = _drained(run, x)
            taps.append(Tap(x, y, gain))
            x = y
        return Passage(x, tuple(taps))

    def passages(self, blocks: Iterable[Audio]) -> Iterator[tuple[Audio, Passage]]:
        """Send a whole voice through the chain: each block, and what left the chain meanwhile.

        Last comes an empty block, with what `finish` returns.

        Parameters
        ----------
        blocks : iterable of ndarray, (frames, channels)

        Yields
        ------
        tuple of (ndarray, Passage)

        Raises
        ------
        ValueError
            As `process`.
        """
        for block in blocks:
            yield block, self.process(block)
        yield np.empty((0, self.channels)), self.finish()


def _fitting_rate(chain: Chain, rate: int, channels: int) -> int:
    """The rate as an int, where `chain` can run at it on so many channels; faults otherwise.

    Channels are checked ahead of any buffer: sound with its axes swapped has as many as frames.
    """
    if not isinstance(channels, Integral) or not 1 <= channels <= MOST_CHANNELS:
        due = f"audio is (frames, channels) with 1 to {MOST_CHANNELS} channels"
        raise ValueError(f"{channels} channels; {due}")
    chain.check(rate)
    return int(rate)


def as_audio(x: ArrayLike, channels: int) -> Audio:
    """`x` as float64 (frames, channels); the compiled loops trust its shape.

    Raises
    ------
    ValueError
        Another shape, integers, or a sample that is not finite.
    """
    found = np.asarray(x)
    if found.ndim != 2 or found.shape[1] != channels:
        raise ValueError(f"a block is (frames, {channels}); found {found.shape}")
    if not np.issubdtype(found.dtype, np.floating):
        raise ValueError(f"audio is float with full scale ±1; found {found.dtype}")
    audio = np.ascontiguousarray(found, dtype=np.float64)
    # Least and greatest hand on a NaN, and are quicker than asking each sample.
    if len(audio) and not (np.isfinite(audio.min()) and np.isfinite(audio.max())):
        frame = int(np.argwhere(~np.isfinite(audio))[0][0])
        raise ValueError(f"frame {frame} is not finite")
    return audio


def _drained(run: Run, x: Audio) -> tuple[Audio, Audio | None]:
    """What `run` gives for the last block `x`, with all that it holds."""
    first, first_gain = run.process(x)
    last, last_gain = run.finish()
    audio = np.concatenate([first, last])
    if first_gain is None or last_gain is None:
        return audio, None
    return audio, np.concatenate([first_gain, last_gain])


@dataclass(frozen=True)
class Prepared:
    """A chain whose values are all known.

    Parameters
    ----------
    chain : Chain
        With numbers where ``makeup: match`` stood.
    trim : float, dB
        Gain that brings the loudest channel of the voice to the working level.
    notes : tuple of str
        What the user should know, for example that silence has no loudness.
    """

    chain: Chain
    trim: float = 0.0
    notes: tuple[str, ...] = ()

    def stream(self, rate: int, channels: int) -> ChainStream:
        """Begin one use of the chain.

        Parameters
        ----------
        rate : int, Hz
        channels : int

        Returns
        -------
        ChainStream

        Raises
        ------
        UsageError
            A value does not suit the sample rate.
        ValueError
            The rate is none that is taken (`Chain.check`), or the channels are not 1 to 32.
        """
        return ChainStream(self.chain, rate, channels, trim=self.trim)


def prepare(chain: Chain, rate: int, channels: int, blocks: Blocks) -> Prepared:
    """Measure what working level and ``makeup: match`` need.

    One pass over the voice for the working level, and one for each stage that matches, since each
    hears what the one before it made of the voice; more for one that is mixed. The working level is
    that of the loudest channel by itself, since that is what linked thresholds look at: the same
    voice meets them alike on one channel, on two, and on one of two.

    Parameters
    ----------
    chain : Chain
    rate : int, Hz
    channels : int
    blocks : callable
        Gives the voice from its start, in blocks (frames, channels), each time it is called.

    Returns
    -------
    Prepared

    Raises
    ------
    UsageError
        A value does not suit the sample rate.
    ValueError
        The rate is none that is taken (`Chain.check`), the channels are not 1 to 32, or a block has
        another shape or type or a sample that is not finite.
    """
    rate = _fitting_rate(chain, rate, channels)
    notes: list[str] = []
    trim = 0.0
    if chain.working_level is not None:
        found = metered(blocks(), rate, channels).trim_loudest_to(chain.working_level)
        if found is None:
            lacking = "the voice has no" if channels == 1 else "no channel of the voice has a"
            notes.append(f"{lacking} loudness (below -70 LUFS, or too short): no trim")
        trim = found or 0.0
    stages = list(chain.stages)
    for index, stage in enumerate(stages):
        if not stage.bypass and is_matched(stage):
            head = replace(chain, stages=tuple(stages[:index]))
            hear = partial(_heard, head, trim, rate, channels, blocks)
            stages[index], note = matched(stage, hear)
            notes += [note] if note else []
    return Prepared(replace(chain, stages=tuple(stages)), trim, tuple(notes))


@dataclass(frozen=True)
class Processed:
    """A whole voice that has gone through a chain.

    Parameters
    ----------
    audio : ndarray, of the shape that was given
    gains : dict of str to ndarray, (frames, lanes), dB
        Gain of each frame for each active stage that has one; lanes is 1 where the channels are
        linked.
    prepared : Prepared
        The chain with the values that had to be measured.
    """

    audio: Audio
    gains: dict[str, Audio]
    prepared: Prepared


def process_array(chain: Chain, x: ArrayLike, rate: int) -> Processed:
    """See `Chain.process`."""
    given = np.asarray(x)
    shape = given.shape
    if given.ndim not in (1, 2) or not given.size:
        raise ValueError(f"audio is (frames,) or (frames, channels) and not empty; found {shape}")
    voice = as_audio(given.reshape(len(given), -1), given.size // len(given))
    prepared = prepare(chain, rate, voice.shape[1], lambda: [voice])
    stream = prepared.stream(rate, voice.shape[1])
    passages = [passage for _, passage in stream.passages([voice])]
    audio = np.concatenate([passage.audio for passage in passages]).reshape(shape)
    gains = {
        stage.name: np.concatenate([p.taps[i].gain for p in passages])
        for i, stage in enumerate(stream.chain.active)
        if stage.has_gain
    }
    return Processed(audio, gains, prepared)


def measure_loudness(blocks: Iterable[Audio], rate: int, channels: int) -> float | None:
    """Integrated loudness in LUFS; None where there is none."""
    return metered(blocks, rate, channels).integrated()


def metered(blocks: Iterable[Audio], rate: int, channels: int) -> LoudnessMeter:
    """The meter of a whole programme's loudness."""
    meter = LoudnessMeter(rate, channels)
    for block in blocks:
        meter.add(as_audio(block, channels))
    return meter


def _heard(
    head: Chain, trim: float, rate: int, channels: int, blocks: Blocks, stage: Stage
) -> tuple[LoudnessMeter, LoudnessMeter]:
    """Meters of the input and the output of `stage` behind `head`."""
    before, after = LoudnessMeter(rate, channels), LoudnessMeter(rate, channels)
    ahead, alone = ChainStream(head, rate, channels, trim=trim), stage.start(rate, channels)
    for block in blocks():
        x = ahead.process(block).audio
        before.add(x)
        after.add(alone.process(x)[0])
    x = ahead.finish().audio
    before.add(x)
    after.add(_drained(alone, x)[0])
    return before, after
