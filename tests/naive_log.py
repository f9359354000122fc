"""Slow twins of the log's loops, written from their description."""

from __future__ import annotations

import numpy as np


def naive_gain_rows(gain, idle, hop):
    """Lowest gain and mean reduction of each full row; sum, greatest, count above 1 dB."""
    lowest = gain.min(axis=1)
    reduction = idle - lowest
    rows = len(lowest) // hop
    cut = slice(0, rows * hop)
    low = lowest[cut].reshape(rows, hop).min(axis=1)
    mean = reduction[cut].reshape(rows, hop).mean(axis=1)
    return low, mean, (reduction.sum(), reduction.max(), np.sum(reduction > 1.0))


def naive_level_rows(x, hop):
    """Greatest magnitude and mean square of each full row."""
    rows = len(x) // hop
    cut = x[: rows * hop].reshape(rows, -1)
    return np.abs(cut).max(axis=1), np.mean(cut**2, axis=1)
