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

import numpy as np
from numpy.typing import NDArray

from chainkit.dsp.log_cells import first_centres, octaves
from chainkit.dsp.observation import Kind, Observation, covariance, places, smoother

Values = NDArray[np.float64]

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
    matrix, vector = np.zeros((count, count)), np.zeros(count)
    squares, values = 0.0, 0
    for observation in group:
        inverse = _precision(observation)
        weighted = inverse @ observation.level
        matrix[np.ix_(observation.cells, observation.cells)] += inverse
        vector[observation.cells] += weighted
        squares += float(observation.level @ weighted)
        values += len(observation.cells) - 1
    scale = kind.repeats * _scale(matrix, vector, squares, values)
    return matrix / scale, vector / scale


def _precision(observation: Observation) -> Values:
    """Inverse covariance, blind to the reference level."""
    total = covariance(observation.kind.passing, places(observation), PASSING_TILT)
    total[np.diag_indices(len(total))] += observation.variance
    inverse = np.linalg.inv(total)
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


def freed(kind: Kind, matrix: Values, vector: Values, unevenness: float, ripple: float) -> Evidence:
    """Evidence on resonances alone, freed of the source's own smooth spectrum.

    Parameters
    ----------
    kind : Kind
    matrix, vector : ndarray
        From `gather`.
    unevenness : float
        Factor on the deviations of what lasts; 1 for a voice with strong formants.
    ripple : float, dB
        Deviation of the fine ripple that all observations share, since a source has few notes or
        repeats the same sounds.
    """
    count = len(vector)
    own = covariance(kind.lasting, octaves(count)) + smoother(*kind.formants, first_centres(count))
    lasting = unevenness**2 * own + covariance(((ripple, RIPPLE),), octaves(count), LASTING_TILT)
    lasting += UNKNOWN_LEVEL**2
    system = np.eye(count) + matrix @ lasting
    wanted = np.column_stack([matrix, vector])
    solved = np.asarray(np.linalg.solve(system, wanted), dtype=np.float64)
    left, known = solved[:, :count], solved[:, count]
    log_evidence = 0.5 * float(vector @ (lasting @ known) - np.linalg.slogdet(system)[1])
    return Evidence(kind.smear, (left + left.T) / 2.0, known, log_evidence)
