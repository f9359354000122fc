"""Observations of a signal where something excites it: harmonics in short windows, and noise.

A harmonic is a sample of the spectral envelope at its own frequency; between the harmonics there
is nothing to see. So where harmonics stand apart in a window, the energy of each is taken to the
cell in which it lies; where they merge (high up, when the pitch moves), and in noise, the power
density of each cell is taken. Cells near the noise floor of the pauses are left out. Frames of a
fifth of a second are averaged, made equally loud first.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from chainkit.dsp.ringing import log_cells
from chainkit.dsp.ringing.observation import Kind, Observation, Spectrum, level_mean
from chainkit.dsp.ringing.pitch import pitches

Values = NDArray[np.float64]
Mask = NDArray[np.bool_]
Indices = NDArray[np.signedinteger[Any]]

SHORT, NOISE, MOVING, LONG = 0.046, 0.09, 0.6, 0.7  # seconds, of the windows
SEGMENT = 0.2  # seconds
HARMONICS = 48
HARMONICS_FROM = 1200.0  # Hz; below, long windows tell more, see harmonic_ratio
NOISE_FROM = 1600.0  # Hz; below, only where no voice is near
RINGING = 30.0  # periods in which a resonance of Q 20 that a voice has excited dies by 40 dB
VOICED, PITCHED = 0.5, 0.42  # strengths of the pitch
LOUD, QUIET = 1e-4, 3e-5  # of the power of the loudest twentieth
ABOVE_FLOOR = 4.0  # times the power in the pauses
CLEAR = 0.8  # share of a harmonic's energy in the inner half of its band
LEAST_CELLS = 8

NOISE_LASTING = ((10.0, 1.2), (4.0, 0.5), (1.0, 0.2))
NO_MOUTH = (0.0, 1.0)
# Seen below 2 kHz in the long windows of `harmonic_ratio`, above 1200 Hz in short ones. In these a
# harmonic's whole energy is taken, so they smear nothing, and up there 3 Hz are nothing as well.
VOICE = Spectrum(((10.0, 1.2), (0.5, 0.1)), (12.0, 600.0), 1.9 / MOVING)
HARMONIC = Kind(((7.0, 1.2), (7.0, 0.3), (2.5, 0.06)), VOICE, 2.0)
SHORT_HISS = Spectrum(NOISE_LASTING, NO_MOUTH, 1.44 / NOISE)
LONG_HISS = Spectrum(NOISE_LASTING, NO_MOUTH, 1.44 / LONG)
SHORT_NOISE = Kind(((6.0, 0.4), (0.5, 0.1)), SHORT_HISS, 1.0)
LONG_NOISE = Kind(((1.0, 0.4),), LONG_HISS, 1.0)


@dataclass(frozen=True, eq=False)
class Track:
    """Short windows of a signal.

    Attributes
    ----------
    powers : ndarray, (frames, bins)
    spacing : float, Hz
        Of the bins.
    times : ndarray, (frames,), seconds
        Middles of the windows.
    hop : float, seconds
    pitch, strength : ndarray, (frames,)
    loud : ndarray of bool, (frames,)
    floor : ndarray, (cells,)
        Power per bin in the pauses.
    """

    powers: Values
    spacing: float
    times: Values
    hop: float
    pitch: Values
    strength: Values
    loud: Mask
    floor: Values

    @property
    def voiced(self) -> Mask:
        """Where there is a pitch to follow."""
        return (self.strength > VOICED) & self.loud

    @property
    def lowest(self) -> float:
        """Hz, below which no pitch lies but for a few."""
        return float(np.percentile(self.pitch[self.voiced], 2))


def track(x: Values, rate: float, cells: Values) -> Track:
    """Follow a signal in short windows."""
    size = log_cells.window_size(SHORT, rate)
    powers = log_cells.power_spectra(x, size, size // 4)
    spacing = rate / size
    level = powers[:, int(60.0 / spacing) :].sum(1)
    top = np.percentile(level, 95)
    loud = level > LOUD * top
    pitch, strength = pitches(powers, loud, rate, size)
    quiet = level < QUIET * top
    floor = np.zeros(len(cells))
    if quiet.sum() > 8:
        floor = log_cells.density(powers[quiet].mean(0, keepdims=True), cells, spacing)[0]
    hop = size // 4 / rate
    times = middles(len(powers), size, size // 4, rate)
    return Track(powers, spacing, times, hop, pitch, strength, loud, floor)


def windows(length: int, size: int, hop: int) -> int:
    """How many windows of `size` frames there are, `hop` frames apart."""
    return max(0, (length - size) // hop + 1)


def middles(frames: int, size: int, hop: int, rate: float) -> Values:
    """Times in seconds of the middles of windows of `size` frames."""
    return np.asarray((np.arange(frames) * hop + size / 2.0) / rate, dtype=np.float64)


def harmonics(followed: Track, cells: Values) -> Iterator[Observation]:
    """Observations of the harmonics above 1200 Hz."""
    frames = np.flatnonzero(followed.voiced)
    if not len(frames):
        return
    powers = _harmonic_powers(followed, frames, cells)
    powers[:, cells < HARMONICS_FROM] = np.nan
    segments = (followed.times[frames] / SEGMENT).astype(int)
    for segment in np.unique(segments):
        inside = segments == segment
        if inside.sum() < 3:
            continue
        at, level, seen = level_mean(powers[inside])
        if len(at) > LEAST_CELLS:
            pitch = float(followed.pitch[frames][inside].mean())
            yield Observation(HARMONIC, pitch, at, level, 5.5**2 / seen + 0.8**2)


def _harmonic_powers(followed: Track, frames: Indices, cells: Values) -> Values:
    """Energy per harmonic in each cell that was seen, (frames, cells); else NaN."""
    powers, spacing = followed.powers[frames], followed.spacing
    pitch = followed.pitch[frames][:, None]
    number = np.arange(1, HARMONICS + 1)
    energy, centre, clear = bands(powers, number * pitch / spacing, 0.5 * pitch / spacing)
    clear &= (number + 0.5) * pitch < cells[-1]
    cell = log_cells.cell_of(number * _refined(pitch, centre * spacing / number, clear))
    seen = log_cells.density(powers, cells, spacing) * (pitch / spacing)
    padded = np.pad(clear, ((0, 0), (1, 1)))
    padded[:, 0] = True  # below the first harmonic
    nearest = np.clip(np.round(cells / pitch).astype(int), 0, HARMONICS + 1)
    seen[np.take_along_axis(padded, nearest, 1)] = np.nan
    least = ABOVE_FLOOR * followed.floor * pitch / spacing
    seen[seen < least] = np.nan
    clear &= (cell >= 0) & (cell < len(cells))
    limit = np.take_along_axis(least, np.clip(cell, 0, len(cells) - 1), 1)
    row, column = np.nonzero(clear & (energy > limit))
    seen[row, cell[row, column]] = energy[row, column]
    return seen


def bands(powers: Values, middle: Values, half: Values) -> tuple[Values, Values, Mask]:
    """Energy about each harmonic, its centre in bins, and whether it stands apart."""
    sums = log_cells.running_sum(powers)
    moments = log_cells.running_sum(powers * np.arange(powers.shape[1]))
    low, high = middle + 0.5 - half, middle + 0.5 + half
    energy = log_cells.at(sums, high) - log_cells.at(sums, low)
    low, high = middle + 0.5 - half / 2.0, middle + 0.5 + half / 2.0
    core = log_cells.at(sums, high) - log_cells.at(sums, low)
    moment = log_cells.at(moments, high) - log_cells.at(moments, low)
    return energy, moment / (core + 1e-30), core > CLEAR * energy


def _refined(pitch: Values, estimates: Values, clear: Mask) -> Values:
    """Pitch from the middle one of the harmonics' own estimates, (frames, 1)."""
    inner = clear.copy()
    inner[:, 0] = False
    inner[:, 24:] = False
    ordered = np.sort(np.where(inner, estimates, np.inf), axis=1)
    count = inner.sum(1)
    middle = np.take_along_axis(ordered, np.maximum(count - 1, 0)[:, None] // 2, 1)
    fits = (count[:, None] > 0) & (np.abs(middle / pitch - 1.0) < 0.03)
    return np.where(fits, middle, pitch)


def noises(x: Values, rate: float, followed: Track, cells: Values) -> list[Observation]:
    """Observations of noise: all long windows in one, and the rest in short segments."""
    size = log_cells.window_size(LONG, rate)
    times = middles(windows(len(x), size, size // 2), size, size // 2, rate)
    clear, sounding = _surroundings(followed, times, LONG)
    chosen = np.flatnonzero(clear & (sounding > 0.9))
    found = []
    if len(chosen):
        powers = log_cells.power_spectra(x, size, size // 2, chosen)
        found.append(_long_noise(powers, rate / size, cells))
    return found + list(_short_noises(x, rate, followed, cells, times[chosen]))


def _long_noise(powers: Values, spacing: float, cells: Values) -> Observation:
    bins = log_cells.bins_inside(powers.shape[1], spacing, len(cells))
    at = np.flatnonzero(bins)
    mean = log_cells.density(powers.mean(0, keepdims=True), cells, spacing)[0, at]
    variance = np.asarray(5.6**2 / (0.7 * bins[at] * len(powers)) + 0.1**2, dtype=np.float64)
    return Observation(LONG_NOISE, 0.0, at, 10.0 * np.log10(mean + 1e-30), variance)


def _short_noises(
    x: Values, rate: float, followed: Track, cells: Values, covered: Values
) -> Iterator[Observation]:
    size = log_cells.window_size(NOISE, rate)
    times = middles(windows(len(x), size, size // 4), size, size // 4, rate)
    clear, sounding = _surroundings(followed, times, NOISE / 2.0)
    clear &= sounding > 0.6
    for middle in covered:
        clear &= np.abs(times - middle) >= LONG / 2.0
    chosen = np.flatnonzero(clear)
    if not len(chosen):
        return
    powers = log_cells.power_spectra(x, size, size // 4, chosen)
    bins = log_cells.bins_inside(powers.shape[1], rate / size, len(cells))
    seen = log_cells.density(powers, cells, rate / size)
    pitched = (followed.strength > PITCHED) & followed.loud
    nearest = np.minimum(*away(followed, pitched, times[chosen]))
    quiet = np.maximum(nearest - NOISE / 2.0, 1e-3)
    hidden = cells < np.minimum(NOISE_FROM, RINGING / quiet)[:, None]
    seen[(seen < ABOVE_FLOOR * followed.floor) | (bins == 0) | hidden] = np.nan
    segments = (times[chosen] / SEGMENT).astype(int)
    for segment in np.unique(segments):
        at, level, count = level_mean(seen[segments == segment])
        if len(at) > LEAST_CELLS:
            variance = 5.6**2 / (np.maximum(0.4 * count, 1.0) * bins[at]) + 0.3**2
            yield Observation(SHORT_NOISE, 0.0, at, level, variance)


def away(followed: Track, there: Mask, times: Values) -> tuple[Values, Values]:
    """Seconds from each time back, and on, to the nearest window that is `there`."""
    edges = np.concatenate([[-np.inf], followed.times[there], [np.inf]])
    after = np.searchsorted(edges, times)
    return times - edges[after - 1] - SHORT / 2.0, edges[after] - times - SHORT / 2.0


def _surroundings(followed: Track, times: Values, seconds: float) -> tuple[Mask, Values]:
    """Whether nothing with a pitch is within `seconds` about each time, and the loud share."""
    pitched = (followed.strength > PITCHED) & followed.loud
    frames, half = len(pitched), int(np.ceil(seconds / 2.0 / followed.hop))
    middle = np.round((times - followed.times[0]) / followed.hop).astype(int)
    first = np.clip(middle - half, 0, frames - 1)
    last = np.clip(middle + half + 1, 1, frames)
    voices, loud = (np.concatenate([[0], np.cumsum(mask)]) for mask in (pitched, followed.loud))
    return voices[last] == voices[first], (loud[last] - loud[first]) / (last - first)
