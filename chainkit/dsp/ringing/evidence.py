"""All observations of a spectrum in one: what lasts, and how well each shape of it is known.

Each observation is level = reference + tilt + passing + lasting + resonances + noise. All but the
resonances are Gaussian with the covariances of `Kind`, so each observation is a linear Gaussian
measurement of the sum of what lasts and the resonances; the information of all adds up (`passing`).
What is then known of the resonances alone is a quadratic form: log likelihood(t) = t·vector −
½ t·matrix·t for any curve t in dB. Standard linear Gaussian algebra (Rasmussen and Williams,
Gaussian Processes for Machine Learning, section 2.7 and appendix A); its use for this is our own.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from chainkit.dsp.ringing.log_cells import first_centres, octaves
from chainkit.dsp.ringing.observation import Kind, Observation, Spectrum, covariance, smoother
from chainkit.dsp.ringing.passing import information

Values = NDArray[np.float64]
Indices = NDArray[np.signedinteger[Any]]

LASTING_TILT = 20.0  # dB per octave
UNKNOWN_LEVEL = 100.0  # dB
RIPPLE = 0.03  # octaves


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


def gather(
    observations: Iterable[Observation], count: int
) -> dict[Spectrum, tuple[Values, Values]]:
    """Information matrix (cells, cells) and vector (cells,) about each spectrum that lasts."""
    groups: dict[Kind, list[Observation]] = {}
    for observation in observations:
        groups.setdefault(observation.kind, []).append(observation)
    told: dict[Spectrum, tuple[Values, Values]] = {}
    for kind, group in groups.items():
        matrix, vector = information(kind, group, count)
        before = told.get(kind.spectrum, (0.0, 0.0))
        told[kind.spectrum] = (matrix + before[0], vector + before[1])
    return told


def freed(
    spectrum: Spectrum,
    matrix: Values,
    vector: Values,
    choices: Iterable[tuple[float, float, float]],
) -> list[Evidence]:
    """Evidence on resonances alone, freed of the source's own smooth spectrum.

    Parameters
    ----------
    spectrum : Spectrum
    matrix, vector : ndarray
        From `gather`.
    choices : iterable of (unevenness, formants, ripple)
        Factors on the deviations of what lasts and of its formants, 1 and 1 for a voice with strong
        ones; and deviation in dB of the fine ripple that all observations share, since a source has
        few notes or repeats the same sounds.

    Returns
    -------
    list of Evidence
        One for each choice.
    """
    count = len(vector)
    seen = np.flatnonzero(np.diag(matrix) > 0.0)
    inside = np.ix_(seen, seen)
    own = covariance(spectrum.lasting, octaves(count))
    mouth = smoother(*spectrum.formants, first_centres(count))
    fine = covariance(((1.0, RIPPLE),), octaves(count))
    free = covariance((), octaves(count), LASTING_TILT) + UNKNOWN_LEVEL**2
    parts = np.array([part[inside] for part in (own, mouth, fine)])
    return [
        _freed(
            spectrum,
            seen,
            matrix,
            vector,
            np.tensordot(np.square(choice), parts, 1) + free[inside],
        )
        for choice in choices
    ]


def _freed(
    spectrum: Spectrum, seen: Indices, matrix: Values, vector: Values, lasting: Values
) -> Evidence:
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
    return Evidence(spectrum.smear, left, freed_vector, 0.5 * float(explained - volume))
