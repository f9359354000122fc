"""The compress stage: feed-forward compressor with a soft knee."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import ClassVar, TypeGuard

from chainkit.stages.base import Misfit, Run, Settings, Stage, below_nyquist, setting
from chainkit.stages.forms import Amount, Group, Switch
from chainkit.stages.ranges import (
    ATTACK,
    DETECTOR,
    KNEE,
    LOOKAHEAD,
    RANGE,
    RATIO_OF,
    RELEASE,
    WINDOW,
    above_full_scale,
    turns_nothing_down,
)
from chainkit.units import FREQUENCY, GAIN, LEVEL, SHARE

MATCH = "match"
MAKEUP = Amount(GAIN, -60.0, 48.0, {MATCH: MATCH})


@dataclass(frozen=True, kw_only=True)
class Sidechain(Settings):
    """What the detector hears.

    Parameters
    ----------
    highpass : float, Hz
        Corner of a second-order Butterworth high-pass ahead of the detector.
    """

    highpass: float = setting(
        Amount(FREQUENCY, 10.0, 20e3), about="High-pass ahead of the detector, 12 dB/oct."
    )


@dataclass(frozen=True, kw_only=True)
class Compress(Stage):
    """Turns the voice down while it is above `threshold`.

    Parameters
    ----------
    threshold : float, dBFS
    ratio : float, ≥ 1, inf allowed
    knee : float, dB
    attack, release, lookahead, window : float, seconds
        Attack and release are the time to 1 − 1/e of a step in dB of what the detector asks for.
        A peak detector holds each peak for `window`, so a release sets in that much later.
    detector : {"peak", "rms"}
    sidechain : Sidechain or None
    range : float or None, dB
        Greatest reduction.
    makeup : float or "match", dB
        Of the compressed voice alone, ahead of `mix`; "match" brings the output to the loudness of
        the stage's input.
    mix : float, 0 to 1
        Share of the compressed voice; the rest is the stage's input.
    link : bool
        One gain for all channels.
    """

    kind: ClassVar[str] = "compress"
    reduces: ClassVar[bool] = True

    threshold: float = setting(
        Amount(LEVEL, -120.0, 24.0), about="Level above which the voice is turned down, in dBFS."
    )
    ratio: float = setting(RATIO_OF, about="Input change to output change above the threshold.")
    knee: float = setting(KNEE, 6.0, about="Width of the soft knee around the threshold.")
    attack: float = setting(ATTACK, 0.010, about="Time to 1 - 1/e of a step to more reduction.")
    release: float = setting(RELEASE, 0.120, about="Time to 1 - 1/e of a step to less reduction.")
    lookahead: float = setting(LOOKAHEAD, 0.0, about="How far the detector runs ahead.")
    detector: str = setting(
        DETECTOR, "peak", about="What the level is: peak or rms over the window."
    )
    window: float = setting(
        WINDOW, 0.005, about="Time over which the detector looks back; a peak is held for it."
    )
    sidechain: Sidechain | None = setting(Group(Sidechain), None, about="What the detector hears.")
    range: float | None = setting(RANGE, None, about="Greatest reduction; none for no bound.")
    makeup: float | str = setting(
        MAKEUP,
        0.0,
        about="Gain behind the compressor; match brings it to the loudness of its input.",
    )
    mix: float = setting(
        Amount(SHARE, 0.0, 1.0), 1.0, about="Share of the compressed voice in the output."
    )
    link: bool = setting(Switch(), True, about="One gain for all channels.")

    def faults_at(self, rate: int) -> Iterator[Misfit]:
        """A side-chain corner that is not below half the sample rate."""
        if self.sidechain is not None:
            yield from below_nyquist(("sidechain", "highpass"), self.sidechain.highpass, rate)

    def remarks(self) -> Iterator[tuple[tuple[str | int, ...], str]]:
        """None of the compressed voice is heard, or nothing of it is turned down."""
        if self.mix == 0.0:
            yield ("mix",), f"mix 0 %: {self.name} changes nothing"
        yield from above_full_scale(self.name, self.threshold)
        yield from turns_nothing_down(self.name, self.ratio, self.range)

    @property
    def lift(self) -> float:
        """The gain in dB where nothing is turned down: makeup and mix."""
        makeup = 0.0 if isinstance(self.makeup, str) else self.makeup
        return 20.0 * math.log10(1.0 - self.mix + self.mix * 10.0 ** (makeup / 20.0))

    def start(self, rate: int, channels: int) -> Run:
        """Begin one use of the stage.

        Raises
        ------
        ValueError
            The makeup is still to be measured.
        """
        from chainkit.dsp import dynamics

        if isinstance(self.makeup, str):
            raise ValueError("makeup: match needs the loudness of the whole voice first")
        return dynamics.Compressor(
            rate,
            channels,
            threshold=self.threshold,
            ratio=self.ratio,
            knee=self.knee,
            attack=self.attack,
            release=self.release,
            lookahead=self.lookahead,
            detector=self.detector,
            window=self.window,
            sidechain_highpass=None if self.sidechain is None else self.sidechain.highpass,
            reduction_range=self.range,
            makeup=self.makeup,
            mix=self.mix,
            link=self.link,
        )


def is_matched(stage: Stage) -> TypeGuard[Compress]:
    """Whether the stage's makeup is still to be found, by matching loudness."""
    return isinstance(stage, Compress) and stage.makeup == MATCH
