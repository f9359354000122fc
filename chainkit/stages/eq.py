"""The eq stage: bands as biquads and Butterworth sections, run as one cascade."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, ClassVar

from chainkit.stages.base import Misfit, Run, Settings, Stage, below_nyquist, setting
from chainkit.stages.forms import Amount, Items, Number, Value, Variant
from chainkit.units import BANDWIDTH, FREQUENCY, GAIN, NUMBER, SLOPE, as_typed

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Sections = NDArray[np.float64]

HERTZ = Amount(FREQUENCY, 1.0, 192e3)
BOOST = Amount(GAIN, -48.0, 24.0)
Q = Number(0.05, 100.0)
OCTAVES = Amount(BANDWIDTH, 0.01, 8.0)
SLOPES = range(6, 49, 6)


class Slope(Value):
    """A Butterworth slope: a multiple of 6 dB/oct up to 48."""

    due = "one of 6, 12, 18, 24, 30, 36, 42, 48 dB/oct"
    due_in_python = "one of 6, 12, 18, 24, 30, 36, 42, 48, in dB/oct"

    def parse(self, text: str) -> float:
        """Slope in dB/oct."""
        meant = self.nearest(text) if _is_bare(text) else ""
        if meant:
            raise ValueError(f"has no unit; write {meant!r}")
        return SLOPE.parse(text, SLOPES[0], SLOPES[-1])

    def format(self, value: float) -> str:
        """`value` with its unit."""
        return SLOPE.format(value)

    def takes(self, value: Any) -> bool:
        """Whether it is 6, 12, … or 48 dB/oct."""
        return isinstance(value, (int, float)) and value in SLOPES

    def allowed(self) -> tuple[str, ...]:
        """Each of the slopes."""
        return tuple(map(SLOPE.format, SLOPES))

    def nearest(self, text: str) -> str:
        """The slope that is nearest by value, the lower one of two; none to what is no slope."""
        try:
            value = SLOPE.parse(f"{text} dB/oct" if _is_bare(text) else text)
        except ValueError:
            return ""
        return SLOPE.format(min(SLOPES, key=lambda slope: abs(slope - value)))


def _is_bare(text: str) -> bool:
    """Whether `text` is a number alone."""
    return re.fullmatch(NUMBER, as_typed(text).strip()) is not None


@dataclass(frozen=True, kw_only=True)
class Band(Settings):
    """One band of the eq.

    Parameters
    ----------
    frequency : float, Hz
    """

    shape: ClassVar[str]

    frequency: float = setting(HERTZ, about="Corner or centre frequency.")

    def faults_at(self, rate: int) -> Iterator[Misfit]:
        """A frequency that is not below half the sample rate."""
        yield from below_nyquist(("frequency",), self.frequency, rate)

    def resolved(self) -> Band:
        """The same band with what was left out filled in."""
        return self

    def sections(self, rate: int) -> Sections:
        """Second-order sections (n, 6) of the band at `rate`."""
        raise TypeError(f"{type(self).__name__} has no sections")


@dataclass(frozen=True, kw_only=True)
class Pass(Band):
    """A Butterworth pass filter.

    Parameters
    ----------
    slope : float, dB/oct, 6 to 48 in steps of 6
    """

    slope: float = setting(Slope(), 12.0, about="Slope: 6 to 48 dB/oct in steps of 6.")

    def sections(self, rate: int) -> Sections:
        """Butterworth sections of order slope / 6."""
        from chainkit.dsp import filters

        return filters.butterworth(self.shape, rate, self.frequency, round(self.slope / 6))


class Highpass(Pass):
    """Passes what lies above its frequency.

    Parameters
    ----------
    frequency : float, Hz, below half the sample rate
        Where it is 3 dB down.
    slope : float, dB/oct, 6 to 48 in steps of 6
    """

    shape = "highpass"


class Lowpass(Pass):
    """Passes what lies below its frequency.

    Parameters
    ----------
    frequency : float, Hz, below half the sample rate
        Where it is 3 dB down.
    slope : float, dB/oct, 6 to 48 in steps of 6
    """

    shape = "lowpass"


@dataclass(frozen=True, kw_only=True)
class Resonant(Band):
    """A band whose width is given by `q` or by `bandwidth`.

    Parameters
    ----------
    q : float or None
    bandwidth : float or None, octaves
    """

    default_q: ClassVar[float]
    exclusive = (("q", "bandwidth"),)

    q: float | None = setting(Q, None, about="Quality factor; the higher, the narrower.")
    bandwidth: float | None = setting(OCTAVES, None, about="Width in octaves, instead of q.")

    def conflicts(self) -> Iterator[Misfit]:
        """Both widths given."""
        if self.q is not None and self.bandwidth is not None:
            yield Misfit(("bandwidth",), "give q or bandwidth, not both")

    def faults_at(self, rate: int) -> Iterator[Misfit]:
        """A frequency out of range, or a bandwidth whose Q is less than `q` may be.

        The width of a digital filter ends at half the rate: near it a given number of octaves
        takes a Q that falls beyond all bounds.
        """
        yield from super().faults_at(rate)
        if self.bandwidth is None or self.frequency >= rate / 2:
            return
        from chainkit.dsp import filters

        most = filters.bandwidth_from_q(Q.low, rate, self.frequency)
        if self.bandwidth > most:
            least, given, held = map(
                BANDWIDTH.format, (OCTAVES.low, self.bandwidth, math.floor(100 * most) / 100)
            )
            is_possible = most >= OCTAVES.low
            way_out = f"at most {held}, or give q" if is_possible else "give q"
            at, full = FREQUENCY.format(self.frequency), FREQUENCY.format(rate)
            told = f"bandwidth {given} is too wide at {at} and a sample rate of {full}; {way_out}"
            yield Misfit(("bandwidth",), told, (f"{least} to {held}",) if is_possible else ())

    def resolved(self) -> Resonant:
        """The same band with a Q, where its width was left out."""
        left_out = self.q is None and self.bandwidth is None
        return replace(self, q=self.default_q) if left_out else self

    def width(self, rate: int) -> float:
        """The band's Q at `rate`."""
        from chainkit.dsp import filters

        if self.bandwidth is not None:
            return float(filters.q_from_bandwidth(self.bandwidth, rate, self.frequency))
        return self.default_q if self.q is None else self.q


@dataclass(frozen=True, kw_only=True)
class Gained(Resonant):
    """A band that boosts or cuts.

    Parameters
    ----------
    gain : float, dB
    """

    gain: float = setting(BOOST, about="Boost or cut.")

    def sections(self, rate: int) -> Sections:
        """The cookbook's biquad of this shape."""
        from chainkit.dsp import filters

        design = getattr(filters, self.shape)
        return design(rate, self.frequency, self.gain, self.width(rate))


class Bell(Gained):
    """Boosts or cuts around its frequency.

    Parameters
    ----------
    frequency : float, Hz, below half the sample rate
        Where it has all of its gain.
    gain : float, dB, −48 to 24
    q : float or None, 0.05 to 100
        1 where neither it nor `bandwidth` is given.
    bandwidth : float or None, octaves
        Instead of `q`.
    """

    shape = "bell"
    default_q = 1.0


class LowShelf(Gained):
    """Boosts or cuts below its frequency.

    Parameters
    ----------
    frequency : float, Hz, below half the sample rate
        Where it has half its gain in dB.
    gain : float, dB, −48 to 24
    q : float or None, 0.05 to 100
        √½ where neither it nor `bandwidth` is given.
    bandwidth : float or None, octaves
        Instead of `q`.
    """

    shape = "low_shelf"
    default_q = 0.5**0.5


class HighShelf(Gained):
    """Boosts or cuts above its frequency.

    Parameters
    ----------
    frequency : float, Hz, below half the sample rate
        Where it has half its gain in dB.
    gain : float, dB, −48 to 24
    q : float or None, 0.05 to 100
        √½ where neither it nor `bandwidth` is given.
    bandwidth : float or None, octaves
        Instead of `q`.
    """

    shape = "high_shelf"
    default_q = 0.5**0.5


class Notch(Resonant):
    """Takes out its frequency.

    Parameters
    ----------
    frequency : float, Hz, below half the sample rate
    q : float or None, 0.05 to 100
        10 where neither it nor `bandwidth` is given.
    bandwidth : float or None, octaves
        Instead of `q`.
    """

    shape = "notch"
    default_q = 10.0

    def sections(self, rate: int) -> Sections:
        """The cookbook's notch."""
        from chainkit.dsp import filters

        return filters.notch(rate, self.frequency, self.width(rate))


SHAPES: dict[str, type[Settings]] = {
    cls.shape: cls for cls in (Highpass, Lowpass, LowShelf, HighShelf, Bell, Notch)
}


@dataclass(frozen=True, kw_only=True)
class Eq(Stage):
    """Bands in series.

    Parameters
    ----------
    bands : tuple of Band
    """

    kind: ClassVar[str] = "eq"
    has_gain: ClassVar[bool] = False

    bands: tuple[Band, ...] = setting(Items(Variant("shape", SHAPES)), about="Bands, in series.")

    def faults_at(self, rate: int) -> Iterator[Misfit]:
        """Faults of the bands."""
        for index, band in enumerate(self.bands):
            for misfit in band.faults_at(rate):
                yield misfit._replace(path=("bands", index, *misfit.path))

    def remarks(self) -> Iterator[tuple[tuple[str | int, ...], str]]:
        """No bands, or bands without a gain."""
        if not self.bands:
            yield ("bands",), f"no bands: {self.name} changes nothing"
        for index, band in enumerate(self.bands):
            if isinstance(band, Gained) and band.gain == 0.0:
                why = f"gain 0 dB: band {index + 1} of {self.name} changes nothing"
                yield ("bands", index, "gain"), why

    def resolved(self) -> Eq:
        """The same stage, each band with its width."""
        return replace(self, bands=tuple(band.resolved() for band in self.bands))

    def sections(self, rate: int) -> Sections:
        """Second-order sections (n, 6) of all bands at `rate`."""
        import numpy as np

        rows = [band.sections(rate) for band in self.bands]
        return np.concatenate(rows) if rows else np.empty((0, 6))

    def start(self, rate: int, channels: int) -> Run:
        """Begin one use of the stage."""
        from chainkit.dsp import equalizer

        return equalizer.Equalizer(self.sections(rate), channels)
