"""Data and words on the axes: lines, areas, points, names."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from matplotlib.axes import Axes
from numpy.typing import ArrayLike

from chainkit.pages.plots.style import INK, MUTED, SERIES, WASH, look


def curve(
    axes: Axes,
    x: ArrayLike,
    y: ArrayLike,
    series: int = 0,
    *,
    label: str = "",
    width: float = 1.5,
    mark: str = "",
) -> None:
    """Line through points, with the stroke of the `series`-th line of the panel."""
    colour, dash = SERIES[series % len(SERIES)]
    style = "solid" if dash is None else (0, dash)
    marked: dict[str, Any] = {"marker": mark, "markersize": 4.0, "markerfacecolor": "white"}
    axes.plot(
        x, y, color=colour, linestyle=style, linewidth=width, label=label or "_nolegend_",
        **(marked if mark else {}),
    )  # fmt: skip


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
        # On paper of their own: curves lie close to what they are held against.
        paper = {"fc": "white", "ec": "none", "alpha": 0.85, "pad": 1.0}
        side = {"ha": "right", "xytext": (-2, 3), "bbox": paper, "color": INK, "zorder": 4}
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


def legend_beneath(axes: Axes, level: float) -> None:
    """The same at the left, beneath `level` on the upright axis, hiding nothing."""
    low, high = axes.get_ylim()
    form: Any = {"frameon": False, "handlelength": 1.8, "labelspacing": 0.3, "borderaxespad": 0.2}
    with look():
        place = (0.0, (level - low) / (high - low))
        axes.legend(loc="upper left", bbox_to_anchor=place, **form)


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


def _row(axes: Axes, words: str, x: float, points: float, **style: Any) -> None:
    place = {"xy": (x, 1.0), "xycoords": "axes fraction", "xytext": (0, points)}
    _words(axes, words, **({"fontsize": 9, "va": "top"} | place | style))


def _words(axes: Axes, words: str, **style: Any) -> None:
    """Words at `xytext` points from `xy`."""
    usual: dict[str, Any] = {"textcoords": "offset points", "fontsize": 8.5, "color": MUTED}
    with look():
        axes.annotate(words, **(usual | style))
