"""All observations of a kind in one: what lasts, and how well each shape of it is known.

Each observation is level = reference + tilt + passing + lasting + resonances + noise. All but the
resonances are Gaussian with the covariances of `Kind`, so each observation is a linear Gaussian
measurement of the sum of what lasts and the resonances; the information of all adds up. The scale
of the noise is taken from how well the observations agree with one another. What is then known of
the resonances alone is a quadratic form: log likelihood(t) = t·vector − ½ t·matrix·t for any curve
t in dB. Standard linear Gaussian algebra (Rasmussen and Williams, Gaussian Processes for Machine
Learning, section 2.7 and appendix A); its use for this is our own.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from chainkit.dsp.log_cells import first_centres, octaves
from chainkit.dsp.observation import Kind, Observation, covariance, smoother

Values = NDArray[np.float64]
Indices = NDArray[np.signedinteger[Any]]

PASSING_TILT, LASTING_TILT = 6.0, 20.0  # dB per octave
UNKNOWN_LEVEL = 100.0  # dB
RIPPLE = 0.03  # octaves
LEAST_SCALE = 0.05  # of the variance: no model of what is seen is exact
ENOUGH = 50  # degrees of freedom from which the scale is measured


@dataclass(frozen=True, eq=False)
class Evidence:
    """What is known of a curve over all cells.

    Attributes
    ----------
    smear : float, Hz
        Of the windows it was seen in.
    matrix : ndarray, (cells, cells), 1/dB²
    vector : ndarray, (cells,), 1/dB
    log_evidence : float
        Of the observations without any resonance, but for a constant.
    """

    smear: float
    matrix: Values
    vector: Values
    log_evidence: float

    def log_likelihood(self, curve: Values) -> float:
        """Of the observations with resonances of that curve in dB, but for the same constant."""
        gained = curve @ self.vector - 0.5 * curve @ self.matrix @ curve
        return self.log_evidence + float(gained)


def gather(observations: Iterable[Observation], count: int) -> dict[Kind, tuple[Values, Values]]:
    """Information matrix (cells, cells) and vector (cells,) of each kind of observation."""
    groups: dict[Kind, list[Observation]] = {}
    for observation in observations:
        groups.setdefault(observation.kind, []).append(observation)
    return {kind: _information(kind, group, count) for kind, group in groups.items()}


def _information(kind: Kind, group: list[Observation], count: int) -> tuple[Values, Values]:
    passing = covariance(kind.passing, octaves(count), PASSING_TILT)
    matrix, vector = np.zeros((count, count)), np.zeros(count)
    squares, values = 0.0, 0
    for observation in group:
        inside = np.ix_(observation.cells, observation.cells)
        inverse = _precision(passing[inside], observation.variance)
        weighted = inverse @ observation.level
        matrix[inside] += inverse
        vector[observation.cells] += weighted
        squares += float(observation.level @ weighted)
        values += len(observation.cells) - 1
    scale = kind.repeats * _scale(matrix, vector, squares, values)
    return matrix / scale, vector / scale


def _precision(passing: Values, variance: Values) -> Values:
    """Inverse covariance of what is seen in some cells, blind to the reference level."""
    from scipy.linalg import lapack

    passing[np.diag_indices(len(passing))] += variance
    lower = np.tril(lapack.dpotri(lapack.dpotrf(passing, lower=True)[0], lower=True)[0])
    inverse = lower + np.tril(lower, -1).T
    ones = inverse.sum(1)
    return np.asarray(inverse - np.outer(ones, ones) / ones.sum())


def _scale(matrix: Values, vector: Values, squares: float, values: int) -> float:
    """Variance of the observations about their common curve, against what was assumed."""
    seen = np.diag(matrix) > 0.0
    freedom = values - int(seen.sum()) + 1
    if freedom <= ENOUGH:
        return 1.0
    common = np.linalg.lstsq(matrix[np.ix_(seen, seen)], vector[seen], rcond=1e-9)[0]
    return max((squares - float(vector[seen] @ common)) / freedom, LEAST_SCALE)


def freed(
    kind: Kind, matrix: Values, vector: Values, choices: Iterable[tuple[float, float]]
) -> list[Evidence]:
    """Evidence on resonances alone, freed of the source's own smooth spectrum.

    Parameters
    ----------
    kind : Kind
    matrix, vector : ndarray
        From `gather`.
    choices : iterable of (unevenness, ripple)
        Factor on the deviations of what lasts, 1 for a voice with strong formants; and deviation
        in dB of the fine ripple that all observations share, since a source has few notes or
        repeats the same sounds.

    Returns
    -------
    list of Evidence
        One for each choice.
    """
    count = len(vector)
    seen = np.flatnonzero(np.diag(matrix) > 0.0)
    inside = np.ix_(seen, seen)
    own = covariance(kind.lasting, octaves(count)) + smoother(*kind.formants, first_centres(count))
    fine = covariance(((1.0, RIPPLE),), octaves(count))
    free = covariance((), octaves(count), LASTING_TILT) + UNKNOWN_LEVEL**2
    parts = [part[inside] for part in (own, fine, free)]
    return [
        _freed(kind, seen, matrix, vector, uneven**2 * parts[0] + ripple**2 * parts[1] + parts[2])
        for uneven, ripple in choices
    ]


def _freed(kind: Kind, seen: Indices, matrix: Values, vector: Values, lasting: Values) -> Evidence:
    """Evidence where the cells seen have what lasts of the covariance `lasting` in them."""
    from scipy import linalg

    inside = np.ix_(seen, seen)
    known = matrix[inside]
    factors = linalg.lu_factor(np.eye(len(seen)) + known @ lasting)
    solved = linalg.lu_solve(factors, np.column_stack([known, vector[seen]]))
    left, freed_vector = np.zeros_like(matrix), np.zeros_like(vector)
    left[inside] = (solved[:, :-1] + solved[:, :-1].T) / 2.0
    freed_vector[seen] = solved[:, -1]
    volume = np.log(np.abs(np.diag(factors[0]))).sum()
    explained = vector[seen] @ lasting @ solved[:, -1]
    return Evidence(kind.smear, left, freed_vector, 0.5 * float(explained - volume))
