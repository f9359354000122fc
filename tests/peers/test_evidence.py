"""What is known of resonances, against the density of scipy's multivariate normal distribution.

By definition the evidence is the density of all observations, each of unknown level, under one
curve that they share (Rasmussen and Williams, Gaussian Processes for Machine Learning, sections 2.2
and 2.7).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.linalg import block_diag
from scipy.stats import multivariate_normal

from chainkit.dsp.ringing import evidence, excitation, log_cells, passing
from chainkit.dsp.ringing.observation import Kind, Observation, covariance, smoother

KIND = Kind(excitation.HARMONIC.passing, excitation.VOICE, repeats=1.0)
COUNT = 40  # cells, of which none sees the last three
UNKNOWN = 1e4  # dB²: of each level; the more, the fewer digits are left
CHOICES = ((0.3, 0.0, 0.0), (1.0, 0.6, 0.7))


def observations(rng: np.random.Generator) -> list[Observation]:
    """Three, of other cells each: too few to measure the scale of the noise, or to learn from."""
    found = []
    for size in (9, 12, 15):
        cells = np.sort(rng.choice(COUNT - 3, size, replace=False))
        level = rng.uniform(-60.0, 0.0) + rng.normal(0.0, 3.0, size)
        found.append(Observation(KIND, 0.0, cells, level, rng.uniform(0.5, 4.0, size)))
    return found


def lasting(unevenness: float, formants: float, ripple: float) -> np.ndarray:
    """Covariance of what the observations share."""
    places = log_cells.octaves(COUNT)
    own = unevenness**2 * covariance(KIND.spectrum.lasting, places)
    mouth = smoother(*KIND.spectrum.formants, log_cells.first_centres(COUNT))
    free = covariance(((ripple, evidence.RIPPLE),), places, evidence.LASTING_TILT)
    return own + formants**2 * mouth + free + evidence.UNKNOWN_LEVEL**2


@pytest.mark.parametrize("seed", range(4))
def test_evidence_is_the_density_of_what_was_seen(seed: int) -> None:
    rng = np.random.default_rng(seed)
    seen = observations(rng)
    cells = np.concatenate([one.cells for one in seen])
    level = np.concatenate([one.level for one in seen])
    varying = block_diag(
        *[
            covariance(KIND.passing, one.cells / log_cells.PER_OCTAVE, passing.TILT)
            + np.diag(one.variance)
            + UNKNOWN
            for one in seen
        ]
    )
    curves = [np.zeros(COUNT), rng.normal(0.0, 3.0, COUNT), 8.0 * np.hanning(COUNT)]
    known = evidence.gather(seen, COUNT)[KIND.spectrum]
    found, expected = [], []
    for choice, one in zip(CHOICES, evidence.freed(KIND.spectrum, *known, CHOICES), strict=True):
        density = multivariate_normal(cov=varying + lasting(*choice)[np.ix_(cells, cells)])
        found += [one.log_likelihood(curve) for curve in curves]
        expected += [density.logpdf(level - curve[cells]) for curve in curves]
    differences = np.array(found) - found[0]
    assert np.ptp(expected) > 1.0
    assert differences == pytest.approx(np.array(expected) - expected[0], abs=0.05, rel=0.005)


def test_kinds_of_one_spectrum_add_up() -> None:
    seen = observations(np.random.default_rng(9))
    other = Kind(((1.0, 0.5),), excitation.VOICE, repeats=1.0)
    again = [replace(one, kind=other) for one in seen]
    together = evidence.gather([*seen, *again], COUNT)[excitation.VOICE]
    apart = [evidence.gather(group, COUNT)[excitation.VOICE] for group in (seen, again)]
    for both, one, two in zip(together, *apart, strict=True):
        assert np.abs(one - two).max() > 0.01
        assert both == pytest.approx(one + two)
