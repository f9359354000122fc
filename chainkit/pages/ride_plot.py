"""Draws rides: where the voice sings and breathes, how loud, and how the level is moved."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from chainkit.dsp.loudness import HOPS_A_SECOND, to_lufs
from chainkit.dsp.phrases import smoothed
from chainkit.pages import plots
from chainkit.rides import Rides

SMOOTHING = 41  # hops: 0.4 s, the length of momentary loudness
SWELL = 301  # hops: 3 s, the length of short-term loudness, in which beats do not show
COLUMNS = 1500
SHOWN = 36.0  # LU below the loudest


def draw_rides(rides: Rides, path: str | Path, force: bool = False) -> None:
    """Write a drawing of the loudness of voice and backing, and the moves.

    Parameters
    ----------
    rides : Rides
    path : str or Path
        Ends in .png, .svg or .pdf.
    force : bool
        Replace a file that is there.

    Raises
    ------
    UsageError
        The ending is none of these.
    OutputError
        The file is there already, or cannot be written.
    """
    plots.save(rides_sheet(rides), path, force=force)


def rides_sheet(rides: Rides) -> Figure:
    """Sheet with the loudness before and after the moves, over that of the backing; the moves."""
    sheet, grid = plots.figure(11.0, 6.0, 2, 1, title=f"Rides for {rides.voice.name}")
    seconds = len(rides.power) / HOPS_A_SECOND
    loudness = plots.panel(sheet, grid[0], "Loudness; phrases shaded")
    moves = plots.panel(sheet, grid[1], "Moves, and the curve they stand for; breaths shaded")
    _loudness(loudness, rides)
    _moves(moves, rides)
    for axes in (loudness, moves):
        plots.time_axis(axes, 0.0, max(seconds, 0.1))
    return sheet


def _loudness(axes: Axes, rides: Rides) -> None:
    gains = np.interp(np.arange(len(rides.power)), *_knots(rides))
    for phrase in rides.phrases:
        plots.region(axes, phrase.start, phrase.end)
    moved = rides.power * 10.0 ** (gains / 10.0)
    tops = [
        _line(axes, rides.power, SMOOTHING, 1, "voice as sung, 0.4 s"),
        _line(axes, moved, SMOOTHING, 0, "with the moves"),
    ]
    if rides.backing_power is not None:
        tops.append(_line(axes, rides.backing_power, SWELL, 2, "backing, 3 s"))
    top = max(-70.0, *tops) + 3.0
    plots.decibel_axis(axes, top - SHOWN, top, "loudness, LUFS")
    plots.legend_above(axes)


def _line(axes: Axes, power: np.ndarray, hops: int, series: int, label: str) -> float:
    """Draw loudness over `hops`; the greatest is returned."""
    loudness = to_lufs(smoothed(power, hops))
    step = max(1, len(loudness) // COLUMNS)
    times = (np.arange(0, len(loudness), step) + 0.5) / HOPS_A_SECOND
    plots.curve(axes, times, loudness[::step], series, label=label, width=1.3)
    return float(loudness.max(initial=-np.inf))


def _moves(axes: Axes, rides: Rides) -> None:
    for start, end in rides.breaths:
        plots.region(axes, start, end)
    knots, gains = _knots(rides)
    times = knots / HOPS_A_SECOND
    plots.filled(axes, times, gains)
    plots.faint(axes, np.arange(len(rides.intended)) / HOPS_A_SECOND, rides.intended)
    plots.curve(axes, times, gains, 0)
    axes.plot(times, gains, "o", color=plots.INK, markersize=2.5, linestyle="none")
    reach = max(1.0, float(np.abs(gains).max(initial=0.0))) * 1.15
    plots.decibel_axis(axes, -reach, reach, "gain, dB")
    plots.guide(axes, y=0.0)


def _knots(rides: Rides) -> tuple[np.ndarray, np.ndarray]:
    times, gains = np.array(rides.points).T
    return times * HOPS_A_SECOND, gains
