"""Takes a steady line, such as a whistle or a tone, out of short-time spectra in bands.

What a band holds in the quietest moments of some seconds it holds throughout. Where that stands far
above what bands on both sides hold then, it is a line. A note that is held is one too, so nothing
is taken where nothing pauses beside it. Of the demo voice's 23 sibilants 22 or 23 are found under a
sine of -60 to -30 dBFS at 440 Hz to 15.625 kHz, and no others; without this a tone of -40 dBFS at
1 kHz left 9, and one at 8 kHz made 35. The thresholds were chosen on made sounds; they are no
published values.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Bands = NDArray[np.float32]

PIECE = 40  # hops of 5 ms that are averaged: 0.2 s, in which noise moves by less than a line stands
LEAST_PIECES = 10
CALM, LEAST_CALM = 0.1, 3  # of the pieces, the calmest of a band; at least
STEADY = 1.5  # factor of power within which a line stays in them: what dies away does not
SILENT = 1e-14  # power, −140 dBFS: digital silence
NEAR, FAR = 3, 5  # bands of 100 Hz to either side, between which its neighbours lie
STANDS_OUT = 10.0  # power against that of the neighbours
FAINT = 1e-5  # of the mean power of all: what is 50 dB below a voice is no hiss of it
SPREAD = 1  # bands to either side of those that stand out, into which a window spreads a line
PAUSE = 0.03  # of the mean power of all but the line: 15 dB below it, in a pause
OUTWEIGHED = 4.0  # power of a band against that of its line, from which the rest can be told


def without_lines(bands: Bands) -> Bands:
    """Bands without the lines that stand still through all of them; themselves where none does.

    Where a band holds much more than its line, the line is subtracted; else what lies beside it on
    both sides tells what there would be.

    Parameters
    ----------
    bands : float32 ndarray, (hops, bands)
        Powers in bands of 100 Hz every 5 ms.

    Returns
    -------
    float32 ndarray, (hops, bands)
    """
    steady = _steady(bands)
    lines = np.flatnonzero(steady)
    if not lines.size:
        return bands
    clean = bands.copy()
    for run in np.split(lines, np.flatnonzero(np.diff(lines) > 1) + 1):
        first, stop = int(run[0]), int(run[-1]) + 1
        low = bands[:, first - 2 : first].mean(axis=1, keepdims=True)
        above = bands[:, stop : stop + 2]
        high = above.mean(axis=1, keepdims=True) if above.size else low
        share = ((np.arange(first, stop) + 1 - first) / (stop - first + 1)).astype(np.float32)
        beside = (1.0 - share) * low + share * high
        inside, line = bands[:, first:stop], steady[first:stop]
        outweighed = inside > OUTWEIGHED * line
        clean[:, first:stop] = np.where(outweighed, inside - line, np.minimum(inside, beside))
    return clean


def _steady(bands: Bands) -> Bands:
    """Power that a line has throughout in each band, (bands,); 0 where there is none."""
    none = np.zeros(bands.shape[1], dtype=np.float32)
    count = len(bands) // PIECE
    pieces = bands[: count * PIECE].reshape(count, PIECE, bands.shape[1]).mean(axis=1)
    pieces = pieces[pieces.sum(axis=1) > SILENT]
    if len(pieces) < LEAST_PIECES:
        return none
    # The least of all may lie half in silence.
    calm = max(LEAST_CALM, round(CALM * len(pieces)))
    ordered = np.partition(pieces, (1, calm), axis=0)
    least, steady = ordered[1], ordered[calm] < STEADY * ordered[1]
    places = np.arange(NEAR, len(least))
    below = _mean(least, places - FAR, places - NEAR + 1)
    above = _mean(least, places + NEAR, places + FAR + 1)
    clear = least[NEAR:] > STANDS_OUT * np.maximum(below, above)
    stands = places[clear & steady[NEAR:] & (least[NEAR:] > FAINT * pieces.sum(axis=1).mean())]
    if not stands.size:
        return none
    lines = np.unique(np.add.outer(np.arange(-SPREAD, SPREAD + 1), stands))
    lines = lines[lines < len(least)]
    rest = np.delete(pieces, lines, axis=1).sum(axis=1)
    if np.partition(rest, 1)[1] > PAUSE * rest.mean():
        return none
    none[lines] = least[lines]
    return none


def _mean(values: Bands, first: NDArray[np.int64], stop: NDArray[np.int64]) -> NDArray[np.float64]:
    """Mean of the values from each `first` to ahead of each `stop`, as far as there are any."""
    sums = np.concatenate([[0.0], np.cumsum(values, dtype=np.float64)])
    low, high = (np.clip(edge, 0, len(values)) for edge in (first, stop))
    return (sums[high] - sums[low]) / np.maximum(1, high - low)
