"""Drawing on numbers: our look, axes with proper ticks, a few ways to put data on them.

Only this package imports matplotlib, and without pyplot, so no window and no global state.

look        context under which anything drawn past these functions takes our look
figure      an empty sheet of our look, and its grid of places
panel       axes at a place of the grid, with a title
frequency_axis, decibel_axis, time_axis, tick_every   scales with ticks that read well
curve       a line; `SERIES` gives colour and dash to each of several
faint, thin a thin grey line that stands back; a thin black one for dense data
filled      an area between a line and a level, such as gain reduction
guide       a thin line across the panel at a level, frequency or time
region      a shaded stretch of an axis, such as a sibilant or a band
marker      a numbered point
note        words at a point of the panel
legend      the names of the lines
text_table  names and values in two columns, for settings beside a panel
thinned     least and mean of a long series in a few hundred columns
png, svg    the finished figure as bytes, or as text to put into a page
save        the finished figure as a file, complete or not at all

Every colour stands off white by a contrast of at least 4.5 and differs from the others in
lightness as well as hue, and no two lines of a panel share a dash: drawings survive grey print and
colour blindness.
"""

from __future__ import annotations

import contextlib
import io
import math
import re
import warnings
from collections.abc import Iterable, Sequence
from html import escape
from pathlib import Path
from typing import Any, NamedTuple

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.gridspec import GridSpec, SubplotSpec
from matplotlib.layout_engine import ConstrainedLayoutEngine
from matplotlib.ticker import FixedLocator, FuncFormatter, MultipleLocator, NullFormatter
from numpy.typing import ArrayLike, NDArray

from chainkit.audio.atomic import atomic_file
from chainkit.errors import UsageError

INK = "#16262e"
MUTED = "#56656c"
RULE = "#d5dbdd"
WASH = "#e6ecea"
DPI = 150
# Both come with matplotlib, so figures are the same on every machine; the second fills gaps.
FONTS = ["STIXGeneral", "DejaVu Sans"]

# What is left out of a file of each format, so that the same figure gives the same bytes.
METADATA: dict[str, dict[str, None]] = {
    "png": {"Software": None},
    "svg": {"Date": None, "Creator": None},
    "pdf": {"CreationDate": None, "Creator": None, "Producer": None},
}


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


# ------------------------------------------------------------------------------ sheet and axes
def figure(
    width: float,
    height: float,
    rows: int = 1,
    columns: int = 1,
    *,
    title: str = "",
    heights: Sequence[float] | None = None,
    widths: Sequence[float] | None = None,
    gap: float = 0.08,
) -> tuple[Figure, GridSpec]:
    """Empty sheet with a grid of places.

    Parameters
    ----------
    width, height : float, inches
    rows, columns : int
    title : str
        Heads the sheet.
    heights, widths : sequence of float, optional
        Shares of the rows and columns.
    gap : float, inches
        Least room above and below a panel.

    Returns
    -------
    Figure, GridSpec
        A place is ``grid[row, column]``; slices span several.
    """
    with look():
        sheet = Figure(figsize=(width, height), dpi=DPI, layout=_spacing(gap), facecolor="white")
        FigureCanvasAgg(sheet)
        if title:
            sheet.suptitle(title, x=0.006, ha="left", fontsize=13.5, fontweight="bold")
        grid = sheet.add_gridspec(rows, columns, height_ratios=heights, width_ratios=widths)
    return sheet, grid


def panel(sheet: Figure, place: SubplotSpec, title: str = "") -> Axes:
    """Axes at a place of the sheet's grid, headed by `title`."""
    with look():
        axes = sheet.add_subplot(place)
        axes.set_title(title)
    return axes


def frequency_axis(axes: Axes, low: float = 20.0, high: float = 20e3) -> None:
    """Logarithmic x axis in Hz, ticked at 1, 2 and 5 of each decade: 20, 50, 100 … 20k.

    Parameters
    ----------
    axes : Axes
    low, high : float, Hz, 0 < low < high
    """
    with look():
        axes.set_xscale("log")
        axes.set_xlim(low, high)
        axes.xaxis.set_major_locator(FixedLocator(_decade_steps(low, high, (1, 2, 5))))
        axes.xaxis.set_minor_locator(FixedLocator(_decade_steps(low, high, range(1, 10))))
        axes.xaxis.set_major_formatter(FuncFormatter(_hertz))
        axes.xaxis.set_minor_formatter(NullFormatter())
        axes.set_xlabel("frequency, Hz")


def decibel_axis(
    axes: Axes, low: float, high: float, label: str = "level, dB", step: float | None = None
) -> None:
    """Linear y axis in dB, ticked every 1, 3, 6, 10, 20 or 30 dB as the panel's height allows.

    Parameters
    ----------
    axes : Axes
    low, high : float, dB
    label : str
    step : float, dB, optional
    """
    with look():
        axes.set_ylim(low, high)
        tick_every(axes, "y", step or decibel_step(high - low, _room_for_ticks(axes)))
        axes.set_ylabel(label)


def tick_every(axes: Axes, which: str, step: float) -> None:
    """Ticks at each multiple of `step` on the axis `which`, "x" or "y"."""
    axis = axes.xaxis if which == "x" else axes.yaxis
    axis.set_major_locator(MultipleLocator(step))
    axis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:.12g}".replace("-", "−")))


def time_axis(axes: Axes, start: float, end: float) -> None:
    """Linear x axis in seconds, shown as minutes and seconds once it is longer than a minute.

    Parameters
    ----------
    axes : Axes
    start, end : float, seconds
    """
    long = end > 60
    steps = (1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600)
    with look():
        axes.set_xlim(start, end)
        if end - start > 4:
            axes.xaxis.set_major_locator(
                MultipleLocator(next((s for s in steps if (end - start) / s <= 10), 7200))
            )
        axes.xaxis.set_major_formatter(
            FuncFormatter(_minutes if long else lambda value, _: f"{value:g}")
        )
        axes.set_xlabel("time, min:s" if long else "time, s")


# ---------------------------------------------------------------------------- data on the axes
def curve(
    axes: Axes, x: ArrayLike, y: ArrayLike, series: int = 0, *, label: str = "", width: float = 1.5
) -> None:
    """Line through points, with the stroke of the `series`-th line of the panel."""
    colour, dash = SERIES[series % len(SERIES)]
    style = "solid" if dash is None else (0, dash)
    axes.plot(x, y, color=colour, linestyle=style, linewidth=width, label=label or "_nolegend_")


def faint(axes: Axes, x: ArrayLike, y: ArrayLike) -> None:
    """Thin grey line that stands back: a reference, or one part of a sum."""
    axes.plot(x, y, color=MUTED, linewidth=0.7, label="_nolegend_")


def thin(axes: Axes, x: ArrayLike, y: ArrayLike) -> None:
    """Thin black line, for dense data over time."""
    axes.plot(x, y, color=INK, linewidth=0.7, label="_nolegend_")


def filled(axes: Axes, x: ArrayLike, y: ArrayLike, level: float = 0.0, series: int = 0) -> None:
    """Area between `y` and a level."""
    colour = SERIES[series % len(SERIES)].colour
    axes.fill_between(x, y, level, color=colour, alpha=0.28, linewidth=0)


def guide(axes: Axes, *, x: float | None = None, y: float | None = None, words: str = "") -> None:
    """Thin dotted line across the panel at `x` or `y`, with words at its end.

    Draw it when the axis has its limits: the words go to the side with more room.
    """
    style: dict[str, Any] = {"color": MUTED, "linewidth": 0.8, "linestyle": (0, (1.0, 2.0))}
    if x is not None:
        axes.axvline(x, **style)
        left = axes.transAxes.inverted().transform(axes.transData.transform((x, 0)))[0] < 0.5
        side: dict[str, Any] = {
            "ha": "left" if left else "right",
            "xytext": (3 if left else -3, -1),
        }
        _words(axes, words, xy=(x, 1.0), xycoords=axes.get_xaxis_transform(), va="top", **side)
    if y is not None:
        axes.axhline(y, **style)
        side = {"ha": "right", "xytext": (-2, 2)}
        _words(axes, words, xy=(1.0, y), xycoords=axes.get_yaxis_transform(), va="bottom", **side)


def region(axes: Axes, start: float, end: float) -> None:
    """Shade the stretch of the x axis from `start` to `end`."""
    axes.axvspan(start, end, color=WASH, linewidth=0, zorder=0.5)


def marker(axes: Axes, x: float, y: float, text: str, *, strong: bool = False) -> None:
    """Point with a short text in a disc: the number of a band or finding; filled when `strong`."""
    with look():
        disc = axes.annotate(
            text,
            (x, y),
            ha="center",
            va="center",
            fontsize=7.5,
            annotation_clip=False,
            color="white" if strong else INK,
            bbox={
                "boxstyle": "circle,pad=0.25",
                "fc": INK if strong else "white",
                "ec": INK,
                "lw": 0.8,
            },
        )
    disc.set_in_layout(False)  # it lies in the panel, and there may be hundreds


def note(axes: Axes, x: float, y: float, words: str, *, align: str = "left") -> None:
    """Words at a point given in shares of the panel, 0 to 1 from the lower left."""
    with look():
        axes.text(x, y, words, transform=axes.transAxes, ha=align, fontsize=9, color=MUTED)


def legend(axes: Axes, where: Any = "best") -> None:
    """Names of the lines that were given a label; `where` as in "lower left"."""
    with look():
        axes.legend(loc=where)


def legend_above(axes: Axes) -> None:
    """The same in one row above the panel, at the right end of its title, where no line is."""
    with look():
        count = len(axes.get_legend_handles_labels()[1])
        axes.legend(loc="lower right", bbox_to_anchor=(1.0, 1.0), ncols=count, borderaxespad=0.1)


def text_table(axes: Axes, heading: str, rows: Iterable[tuple[str, str]]) -> None:
    """Turn a panel into a list of names and values under a heading."""
    with look():
        axes.set_axis_off()
    _row(axes, heading, 0.0, 0, fontsize=11.5, fontweight="bold", color=INK)
    for number, (name, value) in enumerate(rows):
        below = -20 - 13 * number
        _row(axes, name, 0.0, below)
        _row(axes, value, 1.0, below, ha="right", color=INK)


def thinned(
    values: ArrayLike, columns: int
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """A long series in a few columns, so that no short dip is lost.

    Parameters
    ----------
    values : array_like, (n,)
    columns : int, > 0

    Returns
    -------
    middle, least, mean : ndarray, (min(n, columns),)
        Middle index, least value and mean of each column.
    """
    values = np.asarray(values, dtype=np.float64)
    edges = np.linspace(0, len(values), min(columns, len(values)) + 1).round().astype(np.intp)
    starts, counts = edges[:-1], np.diff(edges)
    middle = (edges[:-1] + edges[1:] - 1) / 2
    if not len(values):
        return middle, values, values
    least = np.minimum.reduceat(values, starts)
    return middle, least, np.add.reduceat(values, starts) / counts


# --------------------------------------------------------------------------------- finished work
def svg(sheet: Figure, name: str, description: str) -> str:
    """The figure as an ``<svg>`` element to stand inside a page.

    Parameters
    ----------
    sheet : Figure
    name : str
        Unique in the page: it goes in front of every id.
    description : str
        What the picture shows, for readers who do not see it.
    """
    text = _finished(sheet, "svg").decode("utf-8")
    text = re.sub(r"<metadata>.*?</metadata>", "", text[text.index("<svg") :], flags=re.DOTALL)
    text = re.sub(r'\bid="', f'id="{name}-', text)
    text = re.sub(r'(href="|url\()#', rf"\1#{name}-", text)
    text = text.replace(f"'{FONTS[0]}'", f"'{FONTS[0]}', 'STIX Two Text', 'Times New Roman', serif")
    return text.replace("<svg ", f'<svg role="img" aria-label="{escape(description)}" ', 1)


def save(sheet: Figure, path: str | Path, *, force: bool = False) -> None:
    """Write the figure to a file, in the format that its ending names; the same bytes each time.

    Parameters
    ----------
    sheet : Figure
    path : str or Path
        Ends in .png, .svg or .pdf.
    force : bool
        Replace a file that is there.

    Raises
    ------
    UsageError
        The ending is none of these.
    OutputError
        The file exists and `force` is not given, or it cannot be written.
    """
    form = Path(path).suffix.lower().removeprefix(".")
    if form not in METADATA:
        raise UsageError(f"{path} does not end in {', '.join(f'.{known}' for known in METADATA)}")
    with atomic_file(path, force=force, mode="wb") as file:
        file.write(_finished(sheet, form))


# ------------------------------------------------------------------------------------- parts
def _finished(sheet: Figure, form: str) -> bytes:
    file = io.BytesIO()
    with look(), warnings.catch_warnings():
        # A name in a script that our fonts lack shows boxes; a warning would not help the user.
        warnings.filterwarnings("ignore", "Glyph .* missing from font")
        # Laid out here, it is drawn once: savefig would first draw all of it for the layout alone.
        if engine := sheet.get_layout_engine():
            engine.execute(sheet)
            sheet.set_layout_engine("none")
        sheet.savefig(file, format=form, dpi=DPI, metadata=METADATA[form])
    return file.getvalue()


def _spacing(gap: float) -> ConstrainedLayoutEngine:
    return ConstrainedLayoutEngine(w_pad=0.08, h_pad=gap, wspace=0.04, hspace=0.75 * gap)


def decibel_step(span: float, most: float = 8) -> float:
    """Distance of ticks, dB, that gives a span of dB at most so many steps."""
    return next((step for step in (1, 3, 6, 10, 20, 30) if span / step <= most), 60)


def _room_for_ticks(axes: Axes) -> float:
    """How many steps of ticks the panel's height, 5 mm each, leaves room for."""
    return float(np.clip(axes.bbox.height / DPI / 0.2, 1, 8))


def _decade_steps(low: float, high: float, digits: Iterable[int]) -> list[float]:
    decades = range(math.floor(math.log10(low)), math.ceil(math.log10(high)) + 1)
    steps = (digit * 10.0**decade for decade in decades for digit in digits)
    return [step for step in steps if low * 0.9999 <= step <= high * 1.0001]


def _hertz(value: float, _: object = None) -> str:
    return f"{value / 1000:g}k" if value >= 1000 else f"{value:g}"


def _minutes(value: float, _: object = None) -> str:
    minutes, seconds = divmod(round(value), 60)
    return f"{minutes}:{seconds:02}"


def _row(axes: Axes, words: str, x: float, points: float, **style: Any) -> None:
    place = {"xy": (x, 1.0), "xycoords": "axes fraction", "xytext": (0, points)}
    _words(axes, words, **({"fontsize": 9, "va": "top"} | place | style))


def _words(axes: Axes, words: str, **style: Any) -> None:
    """Words at `xytext` points from `xy`."""
    usual: dict[str, Any] = {"textcoords": "offset points", "fontsize": 8.5, "color": MUTED}
    with look():
        axes.annotate(words, **(usual | style))
