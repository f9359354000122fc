"""Power in cells of equal width on a logarithmic frequency axis."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Values = NDArray[np.float64]

PER_OCTAVE = 48  # cells
LOWEST, HIGHEST = 50.0, 16_000.0  # Hz
HALF = 2.0 ** (0.5 / PER_OCTAVE)  # from a cell's centre to its edge


def centres(rate: float) -> Values:
    """Centres in Hz of the cells below 0.45 `rate`, (cells,)."""
    return first_centres(int(PER_OCTAVE * np.log2(min(HIGHEST, 0.45 * rate) / LOWEST)))


def first_centres(count: int) -> Values:
    """Centres in Hz of the first `count` cells."""
    return np.asarray(LOWEST * 2.0 ** ((np.arange(count) + 0.5) / PER_OCTAVE))


def octaves(count: int) -> Values:
    """Places of `count` cells on the axis, in octaves."""
    return np.arange(count) / PER_OCTAVE


def cell_of(frequencies: Values) -> NDArray[np.int64]:
    """Number of the cell in which each frequency lies; may be out of range."""
    place = np.log2(np.maximum(frequencies, 1.0) / LOWEST)
    return np.floor(PER_OCTAVE * place).astype(np.int64)


def power_spectra(
    x: Values, size: int, hop: int, chosen: NDArray[np.int64] | slice = slice(None)
) -> Values:
    """Power in each bin of Hann windows of unit energy, of all or of those chosen, (n, bins)."""
    from scipy import fft

    if len(x) < size:
        return np.zeros((0, size // 2 + 1))
    window = np.hanning(size + 1)[:size]
    frames = np.lib.stride_tricks.sliding_window_view(x, size)[::hop][chosen]
    spectra = fft.rfft(frames * (window / np.sqrt(window @ window)), axis=1)
    return np.asarray(spectra.real**2 + spectra.imag**2)


def window_size(seconds: float, rate: float) -> int:
    """A length near `seconds` which is quick to transform, and four times a whole hop."""
    from scipy import fft

    return int(4 * fft.next_fast_len(int(seconds * rate / 4.0), real=True))


def running_sum(powers: Values) -> Values:
    """Sum of all bins below each bin edge, (frames, bins + 1)."""
    return np.concatenate([np.zeros((len(powers), 1)), np.cumsum(powers, 1)], 1)


def at(sums: Values, edges: Values) -> Values:
    """Running sums read between bin edges, along straight lines; edges : (frames, places)."""
    edges = np.clip(edges, 0.0, sums.shape[1] - 1.001)
    below = edges.astype(np.int64)
    part = edges - below
    low = np.take_along_axis(sums, below, 1)
    return low + part * (np.take_along_axis(sums, below + 1, 1) - low)


def density(powers: Values, cells: Values, spacing: float) -> Values:
    """Mean power per bin in each cell, (frames, cells)."""
    sums = running_sum(powers)
    low, high = (cells * factor / spacing + 0.5 for factor in (1.0 / HALF, HALF))
    shape = (len(powers), len(cells))
    inside = at(sums, np.broadcast_to(high, shape)) - at(sums, np.broadcast_to(low, shape))
    return inside / (high - low)


def bins_inside(bins: int, spacing: float, count: int) -> NDArray[np.int64]:
    """How many bins have their centre in each of `count` cells."""
    cell = cell_of(np.arange(bins, dtype=np.float64) * spacing)
    return np.bincount(cell[(cell >= 0) & (cell < count)], minlength=count)
