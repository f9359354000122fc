"""The gain stage: one constant gain."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import ClassVar

from chainkit.stages.base import Run, Stage, setting
from chainkit.stages.forms import Amount
from chainkit.units import GAIN


@dataclass(frozen=True, kw_only=True)
class Gain(Stage):
    """A constant gain.

    Parameters
    ----------
    gain : float, dB
    """

    kind: ClassVar[str] = "gain"

    gain: float = setting(Amount(GAIN, -120.0, 60.0), about="Gain.")

    @property
    def lift(self) -> float:
        """The gain."""
        return self.gain

    def remarks(self) -> Iterator[tuple[tuple[str | int, ...], str]]:
        """A gain that is none."""
        if self.gain == 0.0:
            yield ("gain",), f"gain 0 dB: {self.name} changes nothing"

    def start(self, rate: int, channels: int) -> Run:
        """Begin one use of the stage."""
        from chainkit.dsp import gains

        return gains.Gain(channels, self.gain)
