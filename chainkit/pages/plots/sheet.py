"""The empty sheet of a figure, and panels on its grid."""

from __future__ import annotations

from collections.abc import Sequence

from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.gridspec import GridSpec, SubplotSpec
from matplotlib.layout_engine import ConstrainedLayoutEngine

from chainkit.pages.plots.style import DPI, look


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


def _spacing(gap: float) -> ConstrainedLayoutEngine:
    return ConstrainedLayoutEngine(w_pad=0.08, h_pad=gap, wspace=0.04, hspace=0.75 * gap)
