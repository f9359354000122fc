"""Drawing functions, checked by the data on the axes, never by pixels."""

from __future__ import annotations

import struct
import subprocess
import sys
import xml.etree.ElementTree as ET
from itertools import combinations, pairwise

import matplotlib as mpl
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from chainkit.cli.outputs import PLOTS
from chainkit.errors import OutputError, UsageError
from chainkit.pages import plots

PNG_SIGNATURE = b"\x89PNG\r\n\x1a\n"


@pytest.fixture
def axes():
    sheet, grid = plots.figure(6, 3)
    return plots.panel(sheet, grid[0, 0], "title")


def labels(axis):
    return [axis.get_major_formatter()(tick, None) for tick in axis.get_majorticklocs()]


def png_size(data):
    assert data[:8] == PNG_SIGNATURE
    return struct.unpack(">II", data[16:24])


def relative_luminance(colour):
    """WCAG 2.2, "relative luminance"."""
    channels = np.array(mpl.colors.to_rgb(colour))
    linear = np.where(channels <= 0.04045, channels / 12.92, ((channels + 0.055) / 1.055) ** 2.4)
    return float(linear @ [0.2126, 0.7152, 0.0722])


def test_frequency_ticks(axes):
    plots.frequency_axis(axes)
    assert axes.get_xscale() == "log"
    assert axes.get_xlim() == (20, 20000)
    assert " ".join(labels(axes.xaxis)) == "20 50 100 200 500 1k 2k 5k 10k 20k"


def test_frequency_ticks_of_a_slow_rate(axes):
    plots.frequency_axis(axes, 100, 4000)
    assert " ".join(labels(axes.xaxis)) == "100 200 500 1k 2k"


def test_decibel_ticks_have_a_minus_sign(axes):
    plots.decibel_axis(axes, -24, 6, "gain, dB")
    assert axes.get_ylim() == (-24, 6)
    assert {"−24", "−6", "0", "6"} <= set(labels(axes.yaxis))
    assert axes.get_ylabel() == "gain, dB"


@given(span=st.floats(0.5, 200))
def test_decibel_ticks_are_few(span):
    assert span / plots.decibel_step(span) <= 8


def test_time_ticks(axes):
    plots.time_axis(axes, 0, 240)
    assert labels(axes.xaxis)[1:4] == ["0:00", "0:30", "1:00"]
    plots.time_axis(axes, 0, 12)
    assert labels(axes.xaxis)[1:4] == ["0", "2", "4"]
    assert axes.get_xlabel() == "time, s"


def test_curve_carries_its_data_and_stroke(axes):
    plots.curve(axes, [1, 2, 3], [4.0, 5.5, 6.0], 1, label="second")
    (line,) = axes.get_lines()
    assert line.get_xydata().tolist() == [[1, 4], [2, 5.5], [3, 6]]
    assert line.get_color() == plots.SERIES[1].colour
    assert line.is_dashed()
    assert line.get_label() == "second"


def test_filled_reaches_from_the_level_to_the_data(axes):
    plots.filled(axes, [0, 1, 2], [-1, -4, -2], level=0)
    (area,) = axes.collections
    corners = area.get_paths()[0].get_extents()
    assert (corners.ymin, corners.ymax, corners.xmin, corners.xmax) == (-4, 0, 0, 2)


def test_guides_regions_and_markers(axes):
    plots.guide(axes, x=5.0, words="edge")
    plots.guide(axes, y=-3.0)
    plots.region(axes, 1.0, 2.5)
    plots.marker(axes, 1.0, 2.0, "4")
    plots.note(axes, 0.5, 0.5, "words")
    vertical, horizontal = axes.get_lines()
    assert list(vertical.get_xdata()) == [5.0, 5.0]
    assert list(horizontal.get_ydata()) == [-3.0, -3.0]
    (shaded,) = axes.patches
    assert (shaded.get_x(), shaded.get_width()) == (1.0, 1.5)
    assert {text.get_text() for text in axes.texts} == {"edge", "", "4", "words"}


def test_text_table(axes):
    plots.text_table(axes, "1  eq", [("frequency", "80 Hz"), ("slope", "24 dB/oct")])
    words = [text.get_text() for text in axes.texts]
    assert words == ["1  eq", "frequency", "80 Hz", "slope", "24 dB/oct"]
    assert not axes.axison
    heading, *rows = [text.get_window_extent() for text in axes.texts]
    for name, value in zip(rows[::2], rows[1::2], strict=True):
        assert name.y1 == pytest.approx(value.y1, abs=1.0)  # side by side
        assert name.x1 < value.x0
    for above, beneath in pairwise([heading, *rows[::2]]):
        assert beneath.y1 <= above.y0


def test_thinned_keeps_the_lowest():
    values = np.zeros(1000)
    values[637] = -9.0
    middle, least, mean = plots.thinned(values, 10)
    assert least.tolist() == [0, 0, 0, 0, 0, 0, -9, 0, 0, 0]
    assert mean[6] == pytest.approx(-0.09)
    assert middle[6] == 649.5


@given(
    values=st.lists(st.floats(-60, 60), max_size=300),
    columns=st.integers(1, 50),
)
def test_thinned_covers_every_value(values, columns):
    middle, least, mean = plots.thinned(values, columns)
    assert len(middle) == len(least) == len(mean) == min(columns, len(values))
    assert min(least, default=0) == min(values, default=0)
    assert np.all(least <= mean + 1e-9)


def saved(sheet, path):
    plots.save(sheet, path, force=True)
    return path.read_bytes()


def test_png_has_the_size_asked_for_and_is_repeatable(axes, tmp_path):
    plots.curve(axes, [0, 1], [0, 1])
    data = saved(axes.figure, tmp_path / "a.png")
    assert png_size(data) == (6 * plots.DPI, 3 * plots.DPI)
    assert saved(axes.figure, tmp_path / "a.png") == data


def test_any_name_can_be_drawn(tmp_path):
    sheet, grid = plots.figure(4, 2, title="$x^ $ \\frac{ 声 \U0001f600")
    plots.panel(sheet, grid[0, 0], "$unfinished")
    assert png_size(saved(sheet, tmp_path / "a.png")) == (4 * plots.DPI, 2 * plots.DPI)
    assert "$x^ $" in plots.svg(sheet, "a", "b")


def test_the_command_line_knows_the_same_formats():
    assert {f".{form}" for form in plots.METADATA} == set(PLOTS)


def test_save_writes_a_png_and_keeps_what_is_there(tmp_path, axes):
    path = tmp_path / "curves.png"
    plots.save(axes.figure, path)
    assert png_size(path.read_bytes()) == (6 * plots.DPI, 3 * plots.DPI)
    with pytest.raises(OutputError, match="exists already"):
        plots.save(axes.figure, path)
    plots.save(axes.figure, path, force=True)
    assert [entry.name for entry in tmp_path.iterdir()] == ["curves.png"]


@pytest.mark.parametrize(
    ("ending", "start"), [("svg", b"<?xml"), ("pdf", b"%PDF"), ("PNG", b"\x89PNG")]
)
def test_save_takes_the_format_of_the_ending(tmp_path, axes, ending, start):
    first, second = tmp_path / f"a.{ending}", tmp_path / f"b.{ending}"
    plots.save(axes.figure, first)
    plots.save(axes.figure, second)
    assert first.read_bytes().startswith(start)
    assert first.read_bytes() == second.read_bytes()


def test_the_last_bits_of_a_layout_do_not_show():
    pictures = []
    for height in (0.7, np.nextafter(0.7, 1.0)):
        sheet, grid = plots.figure(6, 3)
        axes = plots.panel(sheet, grid[0, 0])
        sheet.set_layout_engine("none")
        axes.set_position((0.1, 0.2, 0.8, height))
        plots.curve(axes, [0, 1], [0, 1])
        pictures.append(plots.svg(sheet, "a", "a line"))
    assert pictures[0] == pictures[1]


@pytest.mark.parametrize("name", ["curves", "curves.jpg", ".png"])
def test_save_refuses_another_ending(tmp_path, axes, name):
    with pytest.raises(UsageError, match=r"does not end in \.png, \.svg, \.pdf"):
        plots.save(axes.figure, tmp_path / name)
    assert list(tmp_path.iterdir()) == []


def test_svg_stands_alone_in_a_page(axes):
    plots.curve(axes, [0, 1], [0, 1], label='<b>"loud" & low</b>')
    plots.legend(axes)
    text = plots.svg(axes.figure, "first", 'EQ of "one" & <two>')
    root = ET.fromstring(text)
    assert root.get("role") == "img"
    assert root.get("aria-label") == 'EQ of "one" & <two>'
    ids = [node.get("id") for node in root.iter() if node.get("id")]
    assert ids
    assert all(name.startswith("first-") for name in ids)
    assert len(ids) == len(set(ids))
    used = [node.get("{http://www.w3.org/1999/xlink}href") for node in root.iter()]
    assert {link[1:] for link in used if link} <= set(ids)
    assert "metadata" not in text
    assert text == plots.svg(axes.figure, "first", 'EQ of "one" & <two>')


def test_colours_stand_off_white_and_off_one_another():
    """WCAG 2.2, success criterion 1.4.3: a contrast of 4.5 for text."""
    for colour in [plots.INK, plots.MUTED, *(stroke.colour for stroke in plots.SERIES)]:
        assert 1.05 / (relative_luminance(colour) + 0.05) >= 4.5
    dashes = [stroke.dash for stroke in plots.SERIES]
    assert all(one != other for one, other in combinations(dashes, 2))


def test_drawing_leaves_the_users_settings_alone(axes, tmp_path):
    before = dict(mpl.rcParams)
    plots.curve(axes, [0, 1], [0, 1])
    plots.save(axes.figure, tmp_path / "a.png")
    assert dict(mpl.rcParams) == before


def test_drawing_needs_no_pyplot():
    code = "import sys, chainkit.pages.plots; sys.exit('matplotlib.pyplot' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
