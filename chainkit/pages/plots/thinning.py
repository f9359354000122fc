"""Long series in as many columns as a panel can show."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray


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
