"""What a render did over time, drawn from its gain-reduction log."""

from __future__ import annotations

import math

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from chainkit.chain import Chain
from chainkit.gainlog import Log
from chainkit.pages import plots
from chainkit.pages.curves import idle_gain
from chainkit.stages.base import Stage

Audio = NDArray[np.float64]

COLUMNS = 600
QUIET = -60.0  # dBFS, foot of the level panel


def moving_stages(chain: Chain, log: Log) -> list[Stage]:
    """The stages of `chain` whose gain moves: rides and those that turn down."""
    moving = (stage for stage in chain.active if stage.reduces or stage.kind == "ride")
    return [stage for stage in moving if stage.name in log.gains]


def reduction_sheet(chain: Chain, log: Log, width: float = 9.0, height: float = 2.8) -> Figure:
    """Sheet with the level and the gain of each moving stage, one above the other.

    Parameters
    ----------
    chain : Chain
    log : Log
    width, height : float, inches
    """
    stages = moving_stages(chain, log)
    rows = len(stages) + 1
    sheet, grid = plots.figure(width, height, rows, 1, gap=0.02)
    _draw_levels(plots.panel(sheet, grid[0, 0], "level, dBFS: voice grey, output black"), log)
    for row, stage in enumerate(stages, start=1):
        _draw_gain(plots.panel(sheet, grid[row, 0], f"{stage.name}, dB"), log, stage)
    for axes in sheet.axes:
        plots.time_axis(axes, 0.0, _end(log))
        axes.label_outer()
    return sheet


def _draw_levels(axes: Axes, log: Log) -> None:
    for draw, level in ((plots.faint, log.before), (plots.thin, log.after)):
        index, quietest, _ = plots.thinned(-np.maximum(level, QUIET), COLUMNS)
        draw(axes, _times(log, index), -quietest)
    plots.decibel_axis(axes, QUIET, 3.0, "", step=30)


def _draw_gain(axes: Axes, log: Log, stage: Stage) -> None:
    """Deepest gain as an area, mean as a line, against the gain the stage has at rest."""
    index, least, mean = plots.thinned(log.gains[stage.name] - idle_gain(stage), COLUMNS)
    t = _times(log, index)
    plots.filled(axes, t, least, series=1)
    plots.thin(axes, t, mean)
    low = min(-6.0, 3 * math.floor(least.min() / 3))
    high = max(1.0, 3 * math.ceil(mean.max() / 3) if mean.max() > 0.5 else 0.0)
    plots.decibel_axis(axes, low, high, "")


def _times(log: Log, index: Audio) -> Audio:
    return np.interp(index, np.arange(len(log.seconds)), log.seconds)


def _end(log: Log) -> float:
    """End of the last row."""
    step = log.seconds[1] - log.seconds[0] if len(log.seconds) > 1 else 0.01
    return float(log.seconds[-1] + step)
