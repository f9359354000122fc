"""Observations of low frequencies under a moving pitch, in windows longer than the pitch is steady.

In a short window a narrow resonance at 200 Hz is smeared over half an octave; in a long one the
harmonics themselves smear when the pitch moves. So what would be seen without any resonance is
computed: harmonics of equal strength that follow the pitch and level which were measured, in the
same window. The ratio of the powers seen to the powers expected, cell by cell, is the spectral
envelope, and what smears both alike drops out of it. Our own method.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from chainkit.dsp.decimation import decimated
from chainkit.dsp.levels import to_gain
from chainkit.dsp.ringing import log_cells
from chainkit.dsp.ringing.excitation import LEAST_CELLS, MOVING, VOICE, Track, bands
from chainkit.dsp.ringing.observation import Kind, Observation

Values = NDArray[np.float64]
Singles = NDArray[np.float32]

HOPS = 3  # in a window
HIGHEST = 2000.0  # Hz
LEAST_RATE = 5000.0  # Hz, after decimation
MOVES = 0.7  # the most the logarithm of the pitch may move within a window
LEAST_VOICED = 0.4  # share of a window
FAINT = 30.0  # dB below the loudest twentieth
DEEPEST = 45.0  # dB below the strongest cell expected
STEADY = 3.0  # dB by which a shorter window may expect otherwise: what leaks in from afar
LEVEL_HARMONICS = np.arange(1, 13)

RATIO = Kind(((7.0, 1.2), (7.0, 0.3), (2.0, 0.06)), VOICE, 2.0)


def blackman_harris(length: int) -> Values:
    """Symmetric window whose side lobes lie 92 dB down (F. J. Harris, Proc. IEEE 66, 1978, p. 65).

    `scipy.signal` has it too, but takes half a second to load.
    """
    turn = 2.0 * np.pi * np.arange(length) / (length - 1)
    weights = np.array([0.35875, -0.48829, 0.14128, -0.01168])
    return np.asarray(weights @ np.cos(np.outer(np.arange(4), turn)))


@dataclass(frozen=True, eq=False)
class Grid:
    """Time and frequency steps of the computed harmonics.

    Attributes
    ----------
    rate : float, Hz
        At which they are computed.
    frames, bins : int
    cells : ndarray, (cells,), Hz
        Centres of those below 2 kHz.
    low, high : ndarray, (cells,)
        Edges of the cells in bins; at least a window's width apart.
    window, inner : ndarray of float32, (frames,)
        The window, and one two thirds as long of the same mean power.
    """

    rate: float
    frames: int
    bins: int
    cells: Values
    low: Values
    high: Values
    window: Singles
    inner: Singles

    @property
    def times(self) -> Values:
        """Of the frames, in seconds."""
        return np.asarray((np.arange(self.frames) + 0.5) / self.rate, dtype=np.float64)

    @staticmethod
    def of(seconds: float, cells: Values) -> Grid:
        """Grid for windows of `seconds`."""
        frames = round(seconds * 2.4 * HIGHEST)
        below = cells[cells < HIGHEST]
        spacing = 1.0 / (2.0 * seconds)
        edges = [
            below * factor / spacing + 0.5 for factor in (1.0 / log_cells.HALF, log_cells.HALF)
        ]
        middle, half = sum(edges) / 2.0, np.maximum((edges[1] - edges[0]) / 2.0, 0.75)
        bins = int(1.05 * HIGHEST / spacing)
        window, inner = blackman_harris(frames), np.zeros(frames)
        length = int(frames / 3.0) * 2
        start = (frames - length) // 2
        inner[start : start + length] = blackman_harris(length)
        inner *= np.sqrt(np.mean(window**2) / np.mean(inner**2))
        return Grid(
            frames / seconds,
            frames,
            bins,
            below,
            middle - half,
            middle + half,
            window.astype(np.float32),
            inner.astype(np.float32),
        )

    def sums(self, powers: Values) -> Values:
        """Sum of the bins in each cell."""
        total = np.concatenate([[0.0], np.cumsum(powers)])
        edges = np.arange(len(total))
        return np.asarray(np.interp(self.high, edges, total) - np.interp(self.low, edges, total))


def moving_harmonics(
    x: Values, rate: float, followed: Track, cells: Values
) -> Iterator[Observation]:
    """Observations below 2 kHz, one for each window with a pitch in it.

    Parameters
    ----------
    x : ndarray, (frames,)
    rate : float, Hz
    followed : Track
    cells : ndarray, (cells,), Hz
    """
    from scipy import fft

    voiced = np.flatnonzero(followed.voiced)
    if len(voiced) < 3:
        return
    x, rate = decimated(x, rate, LEAST_RATE)
    gains = to_gain(_levels(followed))
    faintest = np.percentile(gains[:, -1], 95) * to_gain(-FAINT)
    size = 2 * int(MOVING * rate / 2.0)
    grid = Grid.of(size / rate, cells)
    window = blackman_harris(size)
    for start in range(0, len(x) - size, size // HOPS):
        times = start / rate + grid.times
        amplitude, pitch = _followed(followed, voiced, gains, times)
        if pitch is None or amplitude[-1].max() < faintest:
            continue
        spectrum = fft.rfft(x[start : start + size] * window, 2 * size)[: grid.bins]
        found = _observed(np.abs(spectrum) ** 2, amplitude, pitch, grid)
        if found is not None:
            yield found


def _levels(followed: Track) -> Values:
    """Level of the voice as it bears on each harmonic, in dB, (frames, harmonics + 1).

    The mean of how far the first harmonics are above what is usual for each: of harmonics, so that
    none crosses the edge of a band as the pitch moves. Each is left out of its own mean, or else a
    resonance on it would lift what is expected there. The last column is the mean of all, for the
    harmonics above.
    """
    pitch = followed.pitch[:, None] / followed.spacing
    energy = bands(followed.powers, LEVEL_HARMONICS * pitch, 0.5 * pitch)[0]
    level = 10.0 * np.log10(np.maximum(energy, 1e-30))
    usual = np.median(level[followed.voiced], axis=0)
    above = level - usual
    total = above.sum(1, keepdims=True)
    others = np.hstack([(total - above) / (above.shape[1] - 1), total / above.shape[1]])
    return np.asarray(usual.mean() + others)


def _followed(
    followed: Track, voiced: NDArray[np.int64], gains: Values, times: Values
) -> tuple[Values, Values | None]:
    """Amplitude of each harmonic and pitch at each time; no pitch where it is away or leaps."""
    first, last = np.searchsorted(followed.times, times[[0, -1]])
    share = followed.voiced[first:last].mean() if last > first else 0.0
    pitch = np.interp(times, followed.times[voiced], np.log(followed.pitch[voiced]))
    if share < LEAST_VOICED or np.ptp(pitch) > MOVES:
        return np.zeros((1, len(times))), None
    sounding = np.interp(times, followed.times, followed.voiced.astype(float)) > 0.5
    place = np.clip((times - followed.times[0]) / followed.hop, 0.0, len(gains) - 1.001)
    below = place.astype(int)
    each = gains[below] + (place - below)[:, None] * (gains[below + 1] - gains[below])
    return each.T * sounding, np.exp(pitch)


def _observed(seen: Values, amplitude: Values, pitch: Values, grid: Grid) -> Observation | None:
    """The powers seen against those expected."""
    expected, centre, leaked = _expected(amplitude, pitch, grid)
    power = grid.sums(seen)
    depth = 10.0 * np.log10(expected.max() / (expected + 1e-30))
    good = (depth < DEEPEST) & (power > 0.0) & (np.abs(leaked) < STEADY)
    good &= grid.cells > 0.6 * np.exp(np.log(pitch).mean())
    good &= np.abs(np.log2(np.maximum(centre, 1.0) / grid.cells)) < 0.25
    if good.sum() < LEAST_CELLS:
        return None
    level = 10.0 * np.log10(power[good] / expected[good])
    variance = (2.0 + 0.25 * depth[good]) ** 2 + 1.0
    return Observation(RATIO, float(pitch.mean()), np.flatnonzero(good), level, variance)


def _expected(amplitude: Values, pitch: Values, grid: Grid) -> tuple[Values, Values, Values]:
    """Power of harmonics of equal strength in each cell.

    Also the mean frequency of the harmonics that make it, in Hz, and by how many dB a window two
    thirds as long would expect more.
    """
    from scipy import fft

    turn = np.exp(2j * np.pi * np.cumsum(pitch) / grid.rate).astype(np.complex64)
    count = int(1.1 * HIGHEST / pitch.min())
    harmonics = np.cumprod(np.broadcast_to(turn, (count, grid.frames)), axis=0)
    harmonics *= amplitude[np.minimum(np.arange(count), len(amplitude) - 1)].astype(np.float32)

    def powers(window: Singles) -> Singles:
        spectra = fft.fft(harmonics * window, 2 * grid.frames, axis=1)[:, : grid.bins]
        return np.asarray(spectra.real**2 + spectra.imag**2)

    each = powers(grid.window)
    expected = grid.sums(each.sum(0, dtype=np.float64))
    numbers = np.arange(1, count + 1, dtype=np.float32)
    centre = grid.sums((numbers @ each).astype(np.float64)) / (expected + 1e-300) * pitch.mean()
    shorter = grid.sums(powers(grid.inner).sum(0, dtype=np.float64))
    return expected, centre, 10.0 * np.log10(shorter / (expected + 1e-300) + 1e-30)
