"""The deess stage: splits the voice and turns the upper band down while it is loud."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import ClassVar

from chainkit.stages.base import Misfit, Run, Stage, below_nyquist, setting
from chainkit.stages.forms import Amount, Choice
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
from chainkit.units import FREQUENCY, LEVEL

EDGE = Amount(FREQUENCY, 500.0, 96e3)
UPPER = Amount(FREQUENCY, 500.0, 192e3, {"none": None})


@dataclass(frozen=True, kw_only=True)
class Deess(Stage):
    """Turns the band above `frequency` down while it is above `threshold`.

    Parameters
    ----------
    frequency, upper : float, Hz
        Edges of the band; no upper edge when None.
    threshold : float, dB
        dBFS of the band, or the band's level against the whole voice when `sense` is "share".
    sense : {"band", "share"}
    ratio : float, ≥ 1
    knee : float, dB
    range : float or None, dB
        Greatest reduction.
    attack, release, window : float, seconds
    detector : {"rms", "peak"}
    lookahead : float or None, seconds
        As long as the attack when None.
    phase : {"linear", "minimum"}
    """

    kind: ClassVar[str] = "deess"
    reduces: ClassVar[bool] = True

    frequency: float = setting(EDGE, 5500.0, about="Lower edge of the band.")
    upper: float | None = setting(UPPER, None, about="Upper edge of the band; none for no edge.")
    threshold: float = setting(
        Amount(LEVEL, -120.0, 24.0), about="Level of the band above which it is turned down."
    )
    sense: str = setting(
        Choice("band", "share"),
        "band",
        about="band: the threshold is in dBFS; share: it is the band's level against the whole "
        "voice, which does not depend on level.",
    )
    ratio: float = setting(
        RATIO_OF, 4.0, about="Input change to output change above the threshold."
    )
    knee: float = setting(KNEE, 6.0, about="Width of the soft knee around the threshold.")
    range: float | None = setting(RANGE, None, about="Greatest reduction; none for no bound.")
    attack: float = setting(ATTACK, 0.001, about="Time to 1 - 1/e of a step to more reduction.")
    release: float = setting(RELEASE, 0.060, about="Time to 1 - 1/e of a step to less reduction.")
    detector: str = setting(
        DETECTOR, "rms", about="What the level is: peak or rms over the window."
    )
    window: float = setting(
        WINDOW, 0.002, about="Time over which the detector looks back; a peak is held for it."
    )
    lookahead: float | None = setting(
        LOOKAHEAD, None, about="How far the detector runs ahead; as long as the attack if left out."
    )
    phase: str = setting(
        Choice("linear", "minimum"),
        "linear",
        about="linear: linear-phase FIR split; minimum: Linkwitz-Riley split of 4th order.",
    )

    def conflicts(self) -> Iterator[Misfit]:
        """A band with no width."""
        if self.upper is not None and self.upper < 1.25 * self.frequency:
            edge, upper, least, most = map(
                FREQUENCY.format, (self.frequency, self.upper, 1.25 * self.frequency, UPPER.high)
            )
            told = f"upper {upper} is not at least 1.25 times the lower edge {edge}"
            yield Misfit(("upper",), told, (f"{least} to {most}", *UPPER.words))

    def faults_at(self, rate: int) -> Iterator[Misfit]:
        """Edges that are not below half the sample rate."""
        yield from below_nyquist(("frequency",), self.frequency, rate)
        yield from below_nyquist(("upper",), self.upper, rate)

    def remarks(self) -> Iterator[tuple[tuple[str | int, ...], str]]:
        """Nothing is turned down."""
        # A share of the whole voice may well be above 0 dB: a hiss can outweigh the rest.
        if self.sense == "band":
            yield from above_full_scale(self.name, self.threshold)
        yield from turns_nothing_down(self.name, self.ratio, self.range)

    @property
    def ahead(self) -> float:
        """How far the detector runs ahead, in seconds."""
        return self.attack if self.lookahead is None else self.lookahead

    def resolved(self) -> Deess:
        """The same stage, with the lookahead that it runs with."""
        return replace(self, lookahead=self.ahead)

    def start(self, rate: int, channels: int) -> Run:
        """Begin one use of the stage."""
        from chainkit.dsp import deesser

        return deesser.DeEsser(
            rate,
            channels,
            frequency=self.frequency,
            upper=self.upper,
            threshold=self.threshold,
            sense=self.sense,
            ratio=self.ratio,
            knee=self.knee,
            reduction_range=self.range,
            attack=self.attack,
            release=self.release,
            lookahead=self.ahead,
            detector=self.detector,
            window=self.window,
            phase=self.phase,
        )
