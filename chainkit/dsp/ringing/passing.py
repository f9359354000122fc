"""What observations of one kind have in common, each weighted by what passes in it.

What passes (the vowel, the level) hides what lasts, so the better it is known how a voice's
envelope varies, the more each window tells. For a kind that sees a mouth this is learnt from the
recording itself: the envelope of each window deviates from the common curve by a Gaussian whose
covariance is found by expectation and maximisation, as in factor analysis with gaps: each window
shows a few cells only. The assumed covariance of `Kind` counts as `ASSUMED` windows that were seen
before. A. P. Dempster, N. M. Laird and D. B. Rubin, Journal of the Royal Statistical Society B 39,
1977, section 4.7; the assumption as a conjugate prior after A. Gelman et al., Bayesian Data
Analysis, section 3.6. Its use for this is our own.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from chainkit.dsp.ringing.log_cells import octaves
from chainkit.dsp.ringing.observation import Kind, Observation, covariance

Values = NDArray[np.float64]

TILT = 6.0  # dB per octave
LEAST_SCALE = 0.05  # of the variance: no model of what is seen is exact
ENOUGH = 50  # degrees of freedom from which the scale is measured
FEW = 20  # observations from which nothing is learnt
ASSUMED = 50.0  # observations
LEAST_ASSUMED = 0.2  # of the assumed variance
ROUNDS, AGAIN = 6, 3  # of learning; after how many the common curve is drawn anew
FINE = 0.1  # octaves: what is shorter is not learnt, there is too much of it
NEGLIGIBLE = 1e-3  # of the variance of the strongest shape but the tilt


@dataclass(frozen=True, eq=False)
class Sums:
    """Observations, each weighted by its precision, added up.

    Attributes
    ----------
    matrix : ndarray, (cells, cells), 1/dB²
    vector : ndarray, (cells,), 1/dB
    squares : float
        Of all levels.
    values : int
        Number of levels, but for one reference in each observation.
    """

    matrix: Values
    vector: Values
    squares: float
    values: int

    @staticmethod
    def of(group: Sequence[Observation], precisions: Sequence[Values], count: int) -> Sums:
        """Sums over `count` cells."""
        matrix, vector = np.zeros((count, count)), np.zeros(count)
        squares, values = 0.0, 0
        for one, precision in zip(group, precisions, strict=True):
            weighted = precision @ one.level
            matrix[np.ix_(one.cells, one.cells)] += precision
            vector[one.cells] += weighted
            squares += float(one.level @ weighted)
            values += len(one.cells) - 1
        return Sums(matrix, vector, squares, values)

    def common(self) -> Values:
        """The likeliest curve that all share, (cells,), in dB; 0 where nothing was seen."""
        seen = np.diag(self.matrix) > 0.0
        curve = np.zeros(len(self.vector))
        inside = self.matrix[np.ix_(seen, seen)]
        curve[seen] = np.linalg.lstsq(inside, self.vector[seen], rcond=1e-9)[0]
        return curve

    def scale(self, common: Values) -> float:
        """Variance of the observations about `common`, against what was assumed."""
        freedom = self.values - int((np.diag(self.matrix) > 0.0).sum()) + 1
        if freedom <= ENOUGH:
            return 1.0
        return max((self.squares - float(self.vector @ common)) / freedom, LEAST_SCALE)


def information(kind: Kind, group: Sequence[Observation], count: int) -> tuple[Values, Values]:
    """Information matrix (cells, cells) and vector (cells,) of all observations of a kind.

    Parameters
    ----------
    kind : Kind
    group : sequence of Observation
        All of that kind.
    count : int
        Number of cells.
    """
    if kind.spectrum.mouth and len(group) > FEW:
        sums = _learnt(kind, group, count)
    else:
        passing = covariance(kind.passing, octaves(count), TILT)
        sums = Sums.of(group, [_precision(passing, one) for one in group], count)
    scale = kind.repeats * sums.scale(sums.common())
    return sums.matrix / scale, sums.vector / scale


def _precision(passing: Values, one: Observation) -> Values:
    """Inverse covariance of what is seen in some cells, blind to the reference level."""
    from scipy.linalg import lapack

    seen = passing[np.ix_(one.cells, one.cells)]
    seen[np.diag_indices(len(seen))] += one.variance
    lower = np.tril(lapack.dpotri(lapack.dpotrf(seen, lower=True)[0], lower=True)[0])
    inverse = lower + np.tril(lower, -1).T
    ones = inverse.sum(1)
    return np.asarray(inverse - np.outer(ones, ones) / ones.sum())


def _inverse(matrix: Values) -> Values:
    return np.asarray(np.linalg.inv(matrix), dtype=np.float64)


def _learnt(kind: Kind, group: Sequence[Observation], count: int) -> Sums:
    """Sums with the learnt covariance of what passes.

    As everywhere the noise is known but for a scale, and so is what is assumed of the passing, down
    to `LEAST_ASSUMED`: where all windows agree, one held vowel's formants were sure resonances.
    """
    shapes = _shapes(kind, group, count)
    fine = covariance(tuple(term for term in kind.passing if term[1] <= FINE), octaves(count))
    windows = [_Window.of(one, _precision(fine, one), shapes) for one in group]

    def sums(learnt: Values) -> Sums:
        inverse = _inverse(learnt)
        return Sums.of(group, [window.precision(inverse) for window in windows], count)

    learnt = np.eye(shapes.shape[1])
    first = sums(learnt)
    common = first.common()
    scale = first.scale(common)
    assumed = ASSUMED * max(1.0, LEAST_ASSUMED / scale)
    for done in range(ROUNDS):
        if done == AGAIN:
            common = sums(learnt).common()
        inverse, total = _inverse(learnt), assumed * np.eye(len(learnt))
        for window, one in zip(windows, group, strict=True):
            total += window.moments(one.level - common[one.cells], inverse, scale)
        learnt = total / (ASSUMED + len(group))
    return sums(learnt)


def _shapes(kind: Kind, group: Sequence[Observation], count: int) -> Values:
    """Shapes, uncorrelated and of unit variance, of which what passes is assumed to be made.

    (cells, shapes); 0 where no observation sees.
    """
    seen = np.unique(np.concatenate([one.cells for one in group]))
    terms = tuple(term for term in kind.passing if term[1] > FINE)
    variances, vectors = np.linalg.eigh(covariance(terms, octaves(count)[seen], TILT))
    kept = variances > NEGLIGIBLE * variances[-2]
    shapes = np.zeros((count, int(kept.sum())))
    shapes[seen] = vectors[:, kept] * np.sqrt(variances[kept])
    return shapes


@dataclass(frozen=True, eq=False)
class _Window:
    """An observation as seen through shapes: the precision of the rest, W; WS; and SᵀWS."""

    rest: Values
    weighted: Values
    shared: Values

    @staticmethod
    def of(one: Observation, rest: Values, shapes: Values) -> _Window:
        inside = shapes[one.cells]
        weighted = rest @ inside
        return _Window(rest, weighted, inside.T @ weighted)

    def precision(self, inverse: Values) -> Values:
        """With the shapes' inverse covariance (Rasmussen and Williams, equation A.9)."""
        return self.rest - self.weighted @ np.linalg.solve(inverse + self.shared, self.weighted.T)

    def moments(self, away: Values, inverse: Values, scale: float) -> Values:
        """Expected products of the shapes' weights, (shapes, shapes), over the scale."""
        spread = _inverse(inverse + self.shared)
        mean = spread @ (self.weighted.T @ away)
        return spread + np.outer(mean, mean) / scale
