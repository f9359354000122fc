"""What one moment of a signal tells about the levels in some cells, and how far to trust it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Values = NDArray[np.float64]
Terms = tuple[tuple[float, float], ...]


@dataclass(frozen=True)
class Spectrum:
    """What all observations of a source share, and how it is seen (values are our own).

    Attributes
    ----------
    lasting : tuple of (dB, octaves)
        Standard deviation and length of a voice's or instrument's own smooth spectrum.
    formants : tuple of (dB, Hz)
        The same of the part of it that is smooth in Hz: the formants of a mouth lie evenly and are
        about equally wide in Hz (Fant 1960), so low bells cannot be formants, and high ones can.
    smear : float, Hz
        Full width at half power by which the window widens what is seen.
    """

    lasting: Terms
    formants: tuple[float, float]
    smear: float

    @property
    def mouth(self) -> bool:
        """Whether it is a mouth's."""
        return self.formants[0] > 0.0


@dataclass(frozen=True)
class Kind:
    """A way of observing a spectrum, with its model of what hides it (values are our own).

    Attributes
    ----------
    passing : tuple of (dB, octaves)
        Standard deviation and length of what changes from one observation to the next: the vowel,
        the level, the colour of a hiss.
    spectrum : Spectrum
        Kinds of the same spectrum add up.
    repeats : float
        How many observations tell as much as one independent one.
    """

    passing: Terms
    spectrum: Spectrum
    repeats: float


@dataclass(frozen=True, eq=False)
class Observation:
    """Levels in some cells.

    Attributes
    ----------
    kind : Kind
    pitch : float, Hz
        0 for noise.
    cells : ndarray of int, (n,)
    level : ndarray, (n,), dB
        Against an unknown reference.
    variance : ndarray, (n,), dB²
    """

    kind: Kind
    pitch: float
    cells: NDArray[np.int64]
    level: Values
    variance: Values


def smoother(deviation: float, length: float, places: Values) -> Values:
    """Matérn covariance (ν = 5/2) of one term; places : ndarray, (n,), in the unit of `length`.

    k(d) = s²(1 + √5 d/l + 5d²/3l²) exp(−√5 d/l); as above.
    """
    ratio = np.sqrt(5.0) / length * np.abs(places[:, None] - places)
    return np.asarray(deviation**2 * (1.0 + ratio + ratio**2 / 3.0) * np.exp(-ratio))


def covariance(terms: Terms, places: Values, tilt: float = 0.0) -> Values:
    """Matérn covariance (ν = 3/2) of all terms and of a straight line of unknown slope.

    Parameters
    ----------
    terms : tuple of (dB, length)
    places : ndarray, (n,)
        In the unit of the lengths: octaves or Hz.
    tilt : float, dB per unit
        Standard deviation of the slope.

    Notes
    -----
    k(d) = s²(1 + √3 d/l) exp(−√3 d/l); Rasmussen and Williams, Gaussian Processes for Machine
    Learning, equation 4.17.
    """
    distance = np.sqrt(3.0) * np.abs(places[:, None] - places)
    line = places - places.mean()
    total = tilt**2 * np.outer(line, line)
    for deviation, length in terms:
        ratio = distance / length
        total += deviation**2 * (1.0 + ratio) * np.exp(-ratio)
    return total


def level_mean(powers: Values) -> tuple[NDArray[np.int64], Values, Values]:
    """Mean over frames which are made equally loud first.

    Parameters
    ----------
    powers : ndarray, (frames, cells)
        NaN where nothing was seen.

    Returns
    -------
    cells : ndarray of int, (n,)
        Those that were seen at all.
    level : ndarray, (n,), dB
    seen : ndarray, (n,)
        Number of frames.
    """
    there = np.isfinite(powers)
    level = np.where(there, 10.0 * np.log10(np.where(there, powers, 1.0) + 1e-30), 0.0)
    seen = there.sum(0)
    mean = level.sum(0) / np.maximum(seen, 1)
    gain = ((level - mean) * there).sum(1) / np.maximum(there.sum(1), 1)
    total = np.where(there, powers * 10.0 ** (-gain[:, None] / 10.0), 0.0).sum(0)
    cells = np.flatnonzero(seen)
    return cells, 10.0 * np.log10(total[cells] / seen[cells] + 1e-30), seen[cells].astype(float)
