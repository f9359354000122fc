"""Slow twin of the log's loop, written from its description."""

from __future__ import annotations

import numpy as np


def naive_gain_rows(gain, idle, hop, bins):
    """Lowest gain and mean reduction of each row; sum, greatest, count above 1 dB; histogram."""
    lowest = gain.min(axis=1)
    reduction = idle - lowest
    rows = [slice(n, n + hop) for n in range(0, len(gain), hop)]
    low = [lowest[row].min() for row in rows]
    mean = [reduction[row].mean() for row in rows]
    histogram = np.zeros(bins, dtype=int)
    for value in reduction:
        histogram[min(bins - 1, int(max(0.0, value) * 100))] += 1
    return low, mean, (reduction.sum(), reduction.max(), np.sum(reduction > 1.0)), histogram
