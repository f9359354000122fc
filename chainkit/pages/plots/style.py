"""Our look: colours, dashes, fonts, and the context that gives them to what is drawn.

Every colour stands off white by a contrast of at least 4.5 and differs from the others in
lightness as well as hue, and no two lines of a panel share a dash: drawings survive grey print and
colour blindness.
"""

from __future__ import annotations

import contextlib
from typing import Any, NamedTuple

import matplotlib as mpl

INK = "#16262e"
MUTED = "#56656c"
RULE = "#d5dbdd"
WASH = "#e6ecea"
DPI = 150
# Both come with matplotlib, so figures are the same on every machine; the second fills gaps.
FONTS = ["STIXGeneral", "DejaVu Sans"]


class Stroke(NamedTuple):
    """How one of several lines is drawn: colour and dash (on, off lengths in line widths)."""

    colour: str
    dash: tuple[float, ...] | None


SERIES = (
    Stroke(INK, None),
    Stroke("#a63d12", (5.0, 1.6)),
    Stroke("#1d7f74", (1.4, 1.2)),
    Stroke("#6b3a78", (7.0, 1.6, 1.4, 1.6)),
    Stroke("#8a6a00", (3.0, 1.2)),
    Stroke("#30609c", (9.0, 2.5)),
)

STYLE: dict[Any, Any] = {
    "font.family": FONTS,
    "font.size": 10.0,
    "text.parse_math": False,  # a name may hold dollar signs
    "text.color": INK,
    "axes.edgecolor": MUTED,
    "axes.labelcolor": INK,
    "axes.labelsize": 9.5,
    "axes.linewidth": 0.8,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.titlesize": 10.5,
    "axes.titlelocation": "left",
    "axes.titlepad": 7.0,
    "axes.grid": True,
    "axes.axisbelow": True,
    "grid.color": RULE,
    "grid.linewidth": 0.5,
    "xtick.color": MUTED,
    "ytick.color": MUTED,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "xtick.labelsize": 9.0,
    "ytick.labelsize": 9.0,
    "xtick.major.size": 3.0,
    "ytick.major.size": 3.0,
    "xtick.minor.size": 1.8,
    "xtick.major.width": 0.8,
    "ytick.major.width": 0.8,
    "lines.solid_capstyle": "round",
    "legend.frameon": True,  # white, so that curves pass behind the words
    "legend.edgecolor": "none",
    "legend.fontsize": 9.0,
    "legend.handlelength": 2.8,
    "pdf.fonttype": 42,
    "svg.fonttype": "none",
    "svg.hashsalt": "chainkit",
}


def look() -> contextlib.AbstractContextManager[None]:
    """Context under which figures, axes and texts take our look; every function here opens it."""
    return mpl.rc_context(STYLE)
