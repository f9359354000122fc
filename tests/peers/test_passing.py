"""What is learnt of how a voice varies, against the covariance that the windows were drawn from.

By the theory of least squares the information of windows of known covariance S is the sum of S⁻¹
(Aitken's estimator), here computed with numpy's inverse from the covariance that nobody was told.
"""

from __future__ import annotations

import numpy as np
import pytest

from chainkit.dsp.ringing import excitation, log_cells, passing
from chainkit.dsp.ringing.observation import Kind, Observation, Spectrum, covariance

COUNT = 144  # cells: three octaves
SEEN = 60  # of them in each window
WINDOWS = 300
PLACE, ELSEWHERE = 1.0, 2.2  # octaves: of a formant that comes and goes, and where there is none
MOUTH = Kind(((7.0, 1.2), (7.0, 0.3), (2.5, 0.06)), excitation.VOICE, repeats=1.0)
NO_MOUTH = Kind(MOUTH.passing, Spectrum(((10.0, 1.2),), (0.0, 1.0), 0.0), repeats=1.0)


def bump(place: float) -> np.ndarray:
    """Of a tenth of an octave."""
    return np.exp(-0.5 * ((log_cells.octaves(COUNT) - place) / 0.1) ** 2)


def drawn(kind: Kind, seed: int) -> tuple[list[Observation], np.ndarray]:
    """Windows of a voice with one formant that comes and goes; and their true information."""
    rng = np.random.default_rng(seed)
    true = covariance(((3.0, 1.2), (2.5, 0.06)), log_cells.octaves(COUNT), 3.0)
    true += 15.0**2 * np.outer(bump(PLACE), bump(PLACE))
    root = np.linalg.cholesky(true + 1e-9 * np.eye(COUNT))
    windows, information = [], np.zeros((COUNT, COUNT))
    for _ in range(WINDOWS):
        cells = np.sort(rng.choice(COUNT, SEEN, replace=False))
        variance = rng.uniform(0.5, 4.0, SEEN)
        level = (root @ rng.standard_normal(COUNT))[cells] + rng.uniform(-60.0, 0.0)
        level += rng.normal(0.0, np.sqrt(variance))
        windows.append(Observation(kind, 150.0, cells, level, variance))
        unknown = 1e4  # dB², of the reference level
        information[np.ix_(cells, cells)] += np.linalg.inv(
            true[np.ix_(cells, cells)] + np.diag(variance) + unknown
        )
    return windows, information


def ratios(kind: Kind, seed: int) -> list[float]:
    """What is told of a bump where the formant is, and where none is, against the truth."""
    windows, information = drawn(kind, seed)
    matrix, _ = passing.information(kind, windows, COUNT)
    shapes = [bump(place) for place in (PLACE, ELSEWHERE)]
    return [(shape @ matrix @ shape) / (shape @ information @ shape) for shape in shapes]


@pytest.mark.parametrize("seed", range(3))
def test_what_is_told_comes_nearer_to_the_truth(seed: int) -> None:
    learnt, assumed = (np.abs(np.log(ratios(kind, seed))) for kind in (MOUTH, NO_MOUTH))
    assert assumed[0] > np.log(4.0)  # a bump where the formant comes and goes is trusted too much
    assert learnt[0] < np.log(1.7)
    assert assumed[1] > np.log(3.0)  # and one where there is none too little
    assert learnt[1] < np.log(2.5)


def test_a_few_windows_teach_nothing() -> None:
    windows, _ = drawn(MOUTH, 0)
    few = windows[: passing.FEW]
    assumed = passing.information(NO_MOUTH, few, COUNT)
    for one, other in zip(passing.information(MOUTH, few, COUNT), assumed, strict=True):
        assert one == pytest.approx(other)
