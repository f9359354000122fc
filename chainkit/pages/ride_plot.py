"""Draws rides: where the voice sings and breathes, how loud, and how the level is moved."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from chainkit.dsp.loudness import HOPS_A_SECOND, to_lufs
from chainkit.dsp.phrases import smoothed
from chainkit.pages import plots
from chainkit.rides import Rides

SMOOTHING = 41  # hops: 0.4 s, the length of momentary loudness
COLUMNS = 1500
SHOWN = 36.0  # LU below the loudest


def draw_rides(rides: Rides, path: str | Path, force: bool = False) -> None:
    """Write a PNG with the voice's loudness before and after, and the moves.

    Raises
    ------
    OutputError
        The file is there already, or cannot be written.
    """
    sheet, grid = plots.figure(11.0, 6.0, 2, 1, title=f"Rides for {rides.voice.name}")
    seconds = len(rides.power) / HOPS_A_SECOND
    loudness = plots.panel(sheet, grid[0], "Loudness of voice, 0.4 s; phrases shaded")
    moves = plots.panel(sheet, grid[1], "Moves, and the curve they stand for; breaths shaded")
    _loudness(loudness, rides)
    _moves(moves, rides)
    for axes in (loudness, moves):
        plots.time_axis(axes, 0.0, max(seconds, 0.1))
    plots.save(sheet, path, force=force)


def _loudness(axes: plots.Axes, rides: Rides) -> None:
    gains = np.interp(np.arange(len(rides.power)), *_knots(rides))
    before = to_lufs(smoothed(rides.power, SMOOTHING))
    after = to_lufs(smoothed(rides.power * 10.0 ** (gains / 10.0), SMOOTHING))
    step = max(1, len(before) // COLUMNS)
    times = np.arange(0, len(before), step) / HOPS_A_SECOND
    for phrase in rides.phrases:
        plots.region(axes, phrase.start, phrase.end)
    plots.curve(axes, times, before[::step], 1, label="as sung", width=1.0)
    plots.curve(axes, times, after[::step], 0, label="with the moves", width=1.3)
    top = max(before.max(initial=-70.0), after.max(initial=-70.0)) + 6.0
    plots.decibel_axis(axes, top - SHOWN, top, "loudness, LUFS")
    plots.legend(axes, "upper right")


def _moves(axes: plots.Axes, rides: Rides) -> None:
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
