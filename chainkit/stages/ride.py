"""The ride stage: level moves over time."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import ClassVar

from chainkit.stages.base import Misfit, Run, Stage, setting
from chainkit.stages.forms import Amount, Items, Row, Text
from chainkit.units import GAIN, TIME

POINT = Row(("time", "gain"), (Amount(TIME, 0.0, 1e6), Amount(GAIN, -120.0, 24.0)))


@dataclass(frozen=True, kw_only=True)
class Ride(Stage):
    """Straight lines in dB between points, held at both ends.

    Parameters
    ----------
    points : tuple of (float, float), seconds and dB, times rising
    file : str
        CSV file to take the points from, in the place of `points`; a chain that the stage is put
        into reads it.
    """

    kind: ClassVar[str] = "ride"
    exclusive = (("points", "file"),)

    points: tuple[tuple[float, float], ...] = setting(
        Items(POINT), (), about="Points [time, gain], times rising."
    )
    file: str = setting(
        Text(), "", about="CSV file with the columns seconds, gain_db, beside the chain file."
    )

    def conflicts(self) -> Iterator[Misfit]:
        """Points missing, or times that do not rise."""
        if not self.points and not self.file:
            yield Misfit(("points",), "a ride needs points or a file")
        for index in range(1, len(self.points)):
            before, time = self.points[index - 1][0], self.points[index][0]
            if time <= before:
                told = f"time {time:g} s does not rise above {before:g} s"
                yield Misfit(("points", index, "time"), told, (f"above {before:g} s",))
                return

    @property
    def lift(self) -> float:
        """The highest point, in dB."""
        return max((gain for _, gain in self.points), default=0.0)

    @property
    def end(self) -> float:
        """Time of the last point, in seconds."""
        return max((time for time, _ in self.points), default=0.0)

    def remarks(self) -> Iterator[tuple[tuple[str | int, ...], str]]:
        """Moves that are none."""
        if not any(gain for _, gain in self.points):
            yield ("points",), f"every point at 0 dB: {self.name} changes nothing"

    def start(self, rate: int, channels: int) -> Run:
        """Begin one use of the stage."""
        import numpy as np

        from chainkit.dsp import gains

        times, moves = np.array(self.points, dtype=np.float64).T
        return gains.Ride(rate, channels, times, moves)
