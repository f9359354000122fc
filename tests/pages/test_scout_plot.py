"""The drawing of what was scouted, checked by its data."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest

from chainkit.audio.writer import write
from chainkit.dsp.backing import accompany
from chainkit.dsp.voice import sing
from chainkit.errors import OutputError
from chainkit.pages import plots, scout_plot
from chainkit.scout import scout_file
from chainkit.scout.chainfile import propose
from chainkit.scout.findings import AGAINST, Finding
from chainkit.scout.mix import hidden
from chainkit.scout.proposal import curve, plan


@pytest.fixture(scope="module")
def scouting(tmp_path_factory):
    path = tmp_path_factory.mktemp("plot") / "lead.wav"
    write(path, sing(16000, seconds=6.0, seed=2).voice, 16000)
    return scout_file(path)


def test_the_proposed_curve_is_drawn(scouting):
    sheet, grid = plots.figure(6, 3)
    axes = plots.panel(sheet, grid[0, 0])
    proposal = propose(scouting)
    scout_plot._proposal(axes, scouting, proposal)
    at, gain = axes.get_lines()[0].get_xydata().T
    np.testing.assert_allclose(gain, curve(scouting, plan(scouting).moves, at))
    assert at.max() < 8000.0
    (deess,) = [stage for stage in proposal.chain.stages if stage.kind == "deess"]
    assert deess.frequency in {patch.get_x() for patch in axes.patches if hasattr(patch, "get_x")}


def test_findings_are_numbered_in_the_panel_and_the_list(scouting):
    sheet, grid = plots.figure(6, 3)
    axes = plots.panel(sheet, grid[0, 0])
    scout_plot._spectrum(axes, scouting)
    listed = scout_plot.listed(scouting)
    marks = {text.get_text() for text in axes.texts}
    assert {str(number) for number in range(1, len(listed) + 1)} <= marks
    name, height = scout_plot._row(1, listed[0])
    assert listed[0].kind in name
    assert height.strip("()").endswith(AGAINST[listed[0].kind])


def test_no_disc_lies_on_another_and_all_are_in_the_panel(scouting):
    """Twelve findings at one place, and more than the list has room for."""
    at_one = [Finding("hum", 150.0 + n, 30.0, 20.0, 1.0, 0.9, -20.0) for n in range(12)]
    crowded = replace(scouting, findings=tuple(at_one * 3))
    sheet, grid = plots.figure(11, 7)
    axes = plots.panel(sheet, grid[0, 0])
    scout_plot._spectrum(axes, crowded)
    discs = [text.xy for text in axes.texts]
    assert len(discs) == scout_plot.LISTED
    for n, (frequency, height) in enumerate(discs):
        assert height < axes.get_ylim()[1]
        for other, taken in discs[n + 1 :]:
            apart = max(frequency / other, other / frequency) >= scout_plot.NEAR
            assert apart or abs(height - taken) >= scout_plot.STEP - 1e-9
    rows = scout_plot.rows(crowded)
    assert rows[-1] == (f"and {36 - scout_plot.LISTED} more", "")


@pytest.mark.parametrize(("frequency", "begins"), [(14.0, 11.2), (45.0, 30.0)])
def test_rumble_is_drawn_where_it_is(scouting, frequency, begins):
    rumble = Finding("rumble", frequency, None, 20.0, 0.1, 0.9, None, note="3 thumps")
    sheet, grid = plots.figure(6, 3)
    upper, lower = (plots.panel(sheet, grid[0, 0]) for _ in range(2))
    low = replace(scouting, findings=(rumble,))
    scout_plot._spectrum(upper, low)
    scout_plot._proposal(lower, low, None)
    assert [text.xy[0] for text in upper.texts if text.get_text() == "1"] == [frequency]
    assert upper.get_xlim()[0] == lower.get_xlim()[0] == pytest.approx(begins)


def test_the_backing_and_what_it_hides_are_drawn(scouting, tmp_path):
    loud = accompany(16000, 6.0, 2).audio
    write(tmp_path / "band.wav", 0.9 * loud / np.abs(loud).max(), 16000)
    mixed = scout_file(scouting.path, tmp_path / "band.wav")
    sheet, grid = plots.figure(6, 3)
    axes = plots.panel(sheet, grid[0, 0])
    scout_plot._spectrum(axes, mixed)
    lines = {line.get_label(): line.get_xydata().T for line in axes.get_lines()}
    (name,) = [label for label in lines if label.startswith("backing, ")]
    at, under = lines[name]
    voice = lines["third octaves (thin: twelfths)"]
    shared = [band for band in mixed.bands if band.lived_in]
    for band, frequency, level in zip(shared, at, under, strict=True):
        assert frequency == band.frequency_hz
        above = np.interp(frequency, *voice) - level
        assert above == pytest.approx(band.against_backing_db)
    edges = sorted((patch.get_x(), patch.get_x() + patch.get_width()) for patch in axes.patches)
    touching = [low / end for (_, end), (low, _) in itertools.pairwise(edges)]
    assert all(gap == pytest.approx(1.0, abs=1e-9) or gap > 1.2 for gap in touching)
    shaded = {round(patch.get_x() + patch.get_width() / 2, -1) for patch in axes.patches}
    assert len(shaded) == len(hidden(list(mixed.bands))) > 0
    assert scout_plot._title(mixed) == "Scouted: lead.wav, over band.wav"
    scout_plot.draw_scouting(scouting, propose(scouting), tmp_path / "alone.png")
    scout_plot.draw_scouting(mixed, propose(mixed), tmp_path / "mixed.png")
    assert (tmp_path / "alone.png").read_bytes() != (tmp_path / "mixed.png").read_bytes()


def test_a_drawing_is_kept(scouting, tmp_path):
    scout_plot.draw_scouting(scouting, propose(scouting), tmp_path / "a.png")
    with pytest.raises(OutputError, match="exists already"):
        scout_plot.draw_scouting(scouting, propose(scouting), tmp_path / "a.png")
