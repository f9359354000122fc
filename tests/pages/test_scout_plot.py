"""The drawing of what was scouted, checked by its data."""

from __future__ import annotations

import numpy as np
import pytest

from chainkit.audio.writer import write
from chainkit.dsp.voice import sing
from chainkit.errors import OutputError
from chainkit.pages import plots, scout_plot
from chainkit.scout import scout_file
from chainkit.scout.proposal import curve, moves


@pytest.fixture(scope="module")
def scouting(tmp_path_factory):
    path = tmp_path_factory.mktemp("plot") / "lead.wav"
    write(path, sing(16000, seconds=6.0, seed=2).voice, 16000)
    return scout_file(path)


def test_the_proposed_curve_is_drawn(scouting):
    sheet, grid = plots.figure(6, 3)
    axes = plots.panel(sheet, grid[0, 0])
    scout_plot._proposal(axes, scouting)
    at, gain = axes.get_lines()[0].get_xydata().T
    np.testing.assert_allclose(gain, curve(scouting, moves(scouting), at))
    assert at.max() < 8000.0


def test_findings_are_numbered_in_the_panel_and_the_list(scouting):
    sheet, grid = plots.figure(6, 3)
    axes = plots.panel(sheet, grid[0, 0])
    scout_plot._spectrum(axes, scouting)
    listed = scout_plot.listed(scouting)
    marks = {text.get_text() for text in axes.texts}
    assert {str(number) for number in range(1, len(listed) + 1)} <= marks
    name, height = scout_plot._row(1, listed[0])
    assert listed[0].kind in name
    assert height.strip("()").endswith("dB")


def test_a_drawing_is_kept(scouting, tmp_path):
    scout_plot.draw_scouting(scouting, tmp_path / "a.png")
    with pytest.raises(OutputError, match="exists already"):
        scout_plot.draw_scouting(scouting, tmp_path / "a.png")
