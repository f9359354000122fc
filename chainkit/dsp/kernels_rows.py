"""Loop that gathers the rows of the gain-reduction log; the caller allocates."""

from __future__ import annotations

import numpy as np
from numba import njit

A_DB = 100  # bins of the histogram for each dB


@njit(cache=True, nogil=True, error_model="numpy")
def gain_rows(gain, idle, hop, low, mean, histogram, totals):
    """Lowest gain and mean reduction of each row, and statistics over all frames.

    Parameters
    ----------
    gain : ndarray, (frames, lanes), dB
        Of a frame the lowest lane counts.
    idle : float, dB
        Gain with no reduction.
    hop : int, frames a row
    low, mean : ndarray, (rows,)
        Receive the lowest gain and the mean reduction; the last row may be short.
    histogram : int64 ndarray
        Counts of reductions, `A_DB` bins a dB, the last for all above; added to.
    totals : ndarray, (3,)
        Sum of reductions, greatest reduction, frames above 1 dB; updated.
    """
    last = float(len(histogram) - 1)
    for row in range(len(low)):
        first, stop = row * hop, min(len(gain), (row + 1) * hop)
        lowest, total, above, slot, run = 1e300, 0.0, 0, np.uint64(0), 0
        for n in range(first, stop):
            g = gain[n, 0]
            for lane in range(1, gain.shape[1]):
                g = gain[n, lane] if gain[n, lane] < g else g
            lowest = g if g < lowest else lowest
            reduction = idle - g
            total += reduction
            above += reduction > 1.0
            place = reduction * A_DB if reduction > 0.0 else 0.0
            found = np.uint64(place if place < last else last)
            if found != slot:  # reductions change slowly: count a run at a time
                histogram[slot] += run
                slot, run = found, 0
            run += 1
        histogram[slot] += run
        low[row], mean[row] = lowest, total / (stop - first)
        totals[0] += total
        totals[1] = max(totals[1], idle - lowest)
        totals[2] += above
