"""Axes in Hz, dB and seconds, with ticks that read well."""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import FixedLocator, FuncFormatter, MultipleLocator, NullFormatter

from chainkit.pages.plots.style import DPI, look


def frequency_axis(axes: Axes, low: float = 20.0, high: float = 20e3) -> None:
    """Logarithmic x axis in Hz, ticked at 1, 2 and 5 of each decade: 20, 50, 100 … 20k.

    Parameters
    ----------
    axes : Axes
    low, high : float, Hz, 0 < low < high
    """
    with look():
        axes.set_xscale("log")
        axes.set_xlim(low, high)
        axes.xaxis.set_major_locator(FixedLocator(_decade_steps(low, high, (1, 2, 5))))
        axes.xaxis.set_minor_locator(FixedLocator(_decade_steps(low, high, range(1, 10))))
        axes.xaxis.set_major_formatter(FuncFormatter(_hertz))
        axes.xaxis.set_minor_formatter(NullFormatter())
        axes.set_xlabel("frequency, Hz")


def decibel_axis(
    axes: Axes, low: float, high: float, label: str = "level, dB", step: float | None = None
) -> None:
    """Linear y axis in dB, ticked every 1, 3, 6, 10, 20 or 30 dB as the panel's height allows.

    Parameters
    ----------
    axes : Axes
    low, high : float, dB
    label : str
    step : float, dB, optional
    """
    with look():
        axes.set_ylim(low, high)
        tick_every(axes, "y", step or decibel_step(high - low, _room_for_ticks(axes)))
        axes.set_ylabel(label)


def tick_every(axes: Axes, which: str, step: float) -> None:
    """Ticks at each multiple of `step` on the axis `which`, "x" or "y"."""
    axis = axes.xaxis if which == "x" else axes.yaxis
    axis.set_major_locator(MultipleLocator(step))
    axis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:.12g}".replace("-", "−")))


def time_axis(axes: Axes, start: float, end: float) -> None:
    """Linear x axis in seconds, shown as minutes and seconds once it is longer than a minute.

    Parameters
    ----------
    axes : Axes
    start, end : float, seconds
    """
    long = end > 60
    steps = (1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600)
    with look():
        axes.set_xlim(start, end)
        if end - start > 4:
            axes.xaxis.set_major_locator(
                MultipleLocator(next((s for s in steps if (end - start) / s <= 10), 7200))
            )
        axes.xaxis.set_major_formatter(
            FuncFormatter(_minutes if long else lambda value, _: f"{value:g}")
        )
        axes.set_xlabel("time, min:s" if long else "time, s")


def decibel_step(span: float, most: float = 8) -> float:
    """Distance of ticks, dB, that gives a span of dB at most so many steps."""
    return next((step for step in (1, 3, 6, 10, 20, 30) if span / step <= most), 60)


def _room_for_ticks(axes: Axes) -> float:
    """How many steps of ticks the panel's height, 5 mm each, leaves room for."""
    return float(np.clip(axes.bbox.height / DPI / 0.2, 1, 8))


def _decade_steps(low: float, high: float, digits: Iterable[int]) -> list[float]:
    decades = range(math.floor(math.log10(low)), math.ceil(math.log10(high)) + 1)
    steps = (digit * 10.0**decade for decade in decades for digit in digits)
    return [step for step in steps if low * 0.9999 <= step <= high * 1.0001]


def _hertz(value: float, _: object = None) -> str:
    return f"{value / 1000:g}k" if value >= 1000 else f"{value:g}"


def _minutes(value: float, _: object = None) -> str:
    minutes, seconds = divmod(round(value), 60)
    return f"{minutes}:{seconds:02}"
