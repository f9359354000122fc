"""Few points for a curve: straight lines that stay within a tolerance of it.

References
----------
D. H. Douglas, T. K. Peucker, "Algorithms for the reduction of the number of points required to
represent a digitized line or its caricature", Cartographica 10(2), 1973; U. Ramer, Computer
Graphics and Image Processing 1(3), 1972. Distance is measured along the value axis here, since
that is the error heard.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Curve = NDArray[np.float64]


def simplify(curve: Curve, tolerance: float, corners: list[int]) -> list[int]:
    """Indices whose straight connection stays within `tolerance` of `curve` at every index.

    Parameters
    ----------
    curve : ndarray, (n,), n ≥ 1
        Values at equal distances.
    tolerance : float, ≥ 0
        Greatest distance along the value axis, in the unit of `curve`.
    corners : list of int
        Indices where the curve is known to turn, in rising order; they are preferred as points,
        and left out where the others do as well without them.

    Returns
    -------
    list of int
        Rising; the first and the last index of the curve are always among them.
    """
    anchors = sorted({0, *corners, len(curve) - 1})
    points = [0]
    for first, last in zip(anchors, anchors[1:], strict=False):
        points += _between(curve, tolerance, first, last)
    return _pruned(curve, tolerance, points)


def _between(curve: Curve, tolerance: float, first: int, last: int) -> list[int]:
    """Points after `first` up to `last`, splitting at the farthest index while one is too far."""
    pending, points = [(first, last)], []
    while pending:
        start, stop = pending.pop()
        away = _distances(curve, start, stop)
        farthest = int(np.argmax(away))
        if away[farthest] > tolerance:
            pending += [(start + farthest, stop), (start, start + farthest)]
        else:
            points.append(stop)
    return points


def _pruned(curve: Curve, tolerance: float, points: list[int]) -> list[int]:
    """`points` without those that their neighbours can do without."""
    kept = points[:1]
    for point, following in zip(points[1:], points[2:], strict=False):
        if _distances(curve, kept[-1], following).max() > tolerance:
            kept.append(point)
    return kept + points[-1:] if len(points) > 1 else kept


def _distances(curve: Curve, start: int, stop: int) -> Curve:
    line = np.linspace(curve[start], curve[stop], stop - start + 1)
    return np.abs(curve[start : stop + 1] - line)
