"""Loops that gather the rows of the gain-reduction log; the caller allocates.

A row is `hop` frames. `state` carries the open row from block to block, so that the rows do not
depend on how the audio is cut into blocks.
"""

from __future__ import annotations

from numba import njit


@njit(cache=True, nogil=True, error_model="numpy")
def gain_rows(gain, idle, hop, state, low, mean, histogram, totals):
    """Lowest gain and mean reduction of each row, and statistics over all frames.

    gain: (frames, lanes), dB. state: frames, lowest gain, sum of reductions of the open row.
    low, mean: room for the rows completed. histogram: counts of reductions, 100 bins a dB, the last
    for all above. totals: sum of reductions, greatest, frames above 1 dB. Returns rows completed.
    """
    filled, lowest, total = int(state[0]), state[1], state[2]
    rows = 0
    for n in range(gain.shape[0]):
        g = gain[n, 0]
        for lane in range(1, gain.shape[1]):
            g = min(g, gain[n, lane])
        lowest = min(lowest, g)
        reduction = idle - g
        total += reduction
        totals[0] += reduction
        totals[1] = max(totals[1], reduction)
        if reduction > 1.0:
            totals[2] += 1.0
        slot = int(max(reduction, 0.0) * 100.0)
        histogram[min(slot, histogram.shape[0] - 1)] += 1
        filled += 1
        if filled == hop:
            low[rows], mean[rows] = lowest, total / hop
            rows += 1
            filled, lowest, total = 0, 1e300, 0.0
    state[0], state[1], state[2] = filled, lowest, total
    return rows


@njit(cache=True, nogil=True, error_model="numpy")
def level_rows(x, hop, state, peak, power):
    """Greatest magnitude and mean square (over all channels) of each row.

    x: (frames, channels). state: frames, greatest magnitude, sum of squares of the open row.
    peak, power: room for the rows completed. Returns rows completed.
    """
    filled, greatest, total = int(state[0]), state[1], state[2]
    channels = x.shape[1]
    rows = 0
    for n in range(x.shape[0]):
        for channel in range(channels):
            value = x[n, channel]
            greatest = max(greatest, abs(value))
            total += value * value
        filled += 1
        if filled == hop:
            peak[rows], power[rows] = greatest, total / (hop * channels)
            rows += 1
            filled, greatest, total = 0, 0.0, 0.0
    state[0], state[1], state[2] = filled, greatest, total
    return rows
