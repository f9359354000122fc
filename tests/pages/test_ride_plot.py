"""The plot of rides: what is drawn, and that nothing lies on it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from chainkit.pages.ride_plot import rides_sheet
from chainkit.rides import ALONE, WITH_BACKING, Rides


def rides(backing_power=None):
    power = 10.0 ** (np.repeat([-70.0, -20.0, -26.0, -70.0], 200) / 10.0)
    given = backing_power is not None
    return Rides(
        voice=Path("lead.wav"),
        backing=Path("band.wav") if given else None,
        settings=WITH_BACKING if given else ALONE,
        points=((3.9, -2.0), (4.1, 4.0)),
        phrases=(),
        breaths=(),
        unridden=(),
        intended=np.zeros(801),
        power=power,
        backing_power=backing_power,
    )


def test_the_backing_is_drawn_where_one_is_given():
    lines = rides_sheet(rides(np.full(800, 1e-2))).axes[0].get_lines()
    assert lines[-1].get_label() == "backing, 3 s"
    # ITU-R BS.1770-5, Annex 1: loudness is −0.691 dB plus the level of the weighted mean square.
    assert lines[-1].get_ydata() == pytest.approx(-20.691)
    assert len(rides_sheet(rides()).axes[0].get_lines()) == len(lines) - 1


def test_the_moves_show_in_the_loudness():
    before, after = (line.get_ydata() for line in rides_sheet(rides()).axes[0].get_lines()[:2])
    assert (after - before)[500] == pytest.approx(4.0)
    assert (after - before)[300] == pytest.approx(-2.0)


@pytest.mark.parametrize("backing", [None, np.full(800, 1e-2)])
def test_the_legend_lies_beside_panel_and_title(backing):
    sheet = rides_sheet(rides(backing))
    sheet.canvas.draw()
    axes = sheet.axes[0]
    box = axes.get_legend().get_window_extent()
    assert box.y0 >= axes.get_window_extent().y1
    assert box.x0 > axes._left_title.get_window_extent().x1
