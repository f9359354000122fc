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

WIDTH = 9.0  # inches
COLUMNS = 600
RIDE_SHARE = 1.8  # height of a ride's panel: it moves both up and down
QUIET = -60.0  # dBFS, foot of the level panel


def moving_stages(chain: Chain, log: Log) -> list[Stage]:
    """The stages of `chain` whose gain moves: rides and those that turn down."""
    moving = (stage for stage in chain.active if stage.reduces or stage.kind == "ride")
    return [stage for stage in moving if stage.name in log.gains]


def sheet_height(stages: list[Stage]) -> float:
    """Height in inches of the sheet for some moving stages."""
    return 2.8 + 0.5 * sum(stage.kind == "ride" for stage in stages)


def reduction_sheet(chain: Chain, log: Log) -> Figure:
    """Sheet with the level and the gain of each moving stage, one above the other."""
    stages = moving_stages(chain, log)
    shares = [1.0, *(RIDE_SHARE if stage.kind == "ride" else 1.0 for stage in stages)]
    sheet, grid = plots.figure(
        WIDTH, sheet_height(stages), len(shares), 1, heights=shares, gap=0.02
    )
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
    if stage.kind == "ride":
        reach = 6 * max(1, math.ceil(np.abs([least, mean]).max() / 6))
        plots.decibel_axis(axes, -reach, reach, "", step=reach / 2)
        return
    low = min(-6.0, 3 * math.floor(least.min() / 3))
    high = max(1.0, 3 * math.ceil(mean.max() / 3) if mean.max() > 0.5 else 0.0)
    plots.decibel_axis(axes, low, high, "")


def _times(log: Log, index: Audio) -> Audio:
    return np.interp(index, np.arange(len(log.seconds)), log.seconds)


def _end(log: Log) -> float:
    """End of the last row."""
    step = log.seconds[1] - log.seconds[0] if len(log.seconds) > 1 else 0.01
    return float(log.seconds[-1] + step)
