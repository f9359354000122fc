"""Drawing on numbers: our look, axes with proper ticks, a few ways to put data on them.

matplotlib is imported without pyplot, so there is no window and no global state.

style      colours, dashes and fonts: `SERIES` gives colour and dash to each of several lines
sheet      an empty sheet of our look and its grid of places; panels in them
scales     axes in Hz, dB and seconds, with ticks that read well
marks      what is put on them: lines, areas, regions, points, words, tables
thinning   a long series in a few hundred columns
files      the finished figure as a file, complete or not at all, or as text to put into a page
"""

from __future__ import annotations

from chainkit.pages.plots.files import METADATA, save, svg
from chainkit.pages.plots.marks import (
    curve,
    faint,
    filled,
    guide,
    legend,
    legend_above,
    legend_beneath,
    marker,
    note,
    region,
    text_table,
    thin,
)
from chainkit.pages.plots.scales import (
    decibel_axis,
    decibel_step,
    frequency_axis,
    tick_every,
    time_axis,
)
from chainkit.pages.plots.sheet import figure, panel
from chainkit.pages.plots.style import DPI, INK, MUTED, SERIES, look
from chainkit.pages.plots.thinning import thinned

__all__ = [
    "DPI", "INK", "METADATA", "MUTED", "SERIES", "curve", "decibel_axis",
    "decibel_step", "faint", "figure", "filled", "frequency_axis", "guide", "legend",
    "legend_above", "legend_beneath", "look", "marker", "note", "panel", "region", "save", "svg",
    "text_table", "thin", "thinned", "tick_every", "time_axis",
]  # fmt: skip
