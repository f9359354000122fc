"""Fits bells to evidence, one after the other, all anew with each that is added.

The bell is that of `filters.bell`. Its power response is 1 + (G² − 1) / (1 + (d/u)²) with G the
gain, d = tan(πf/r)/tan(πc/r) − tan(πc/r)/tan(πf/r) and u = 1/(Q√G): a Lorentz line above a level
floor. A window, and the width of a cell, widen the line as Gaussians do; the widened line, a Voigt
profile, is taken as a Lorentz line of the same area with the width of J. J. Olivero and R. L.
Longbothum, Journal of Quantitative Spectroscopy and Radiative Transfer 17, 1977.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from chainkit.dsp.ringing.evidence import Evidence
from chainkit.dsp.ringing.log_cells import PER_OCTAVE

Values = NDArray[np.float64]

# Of (log f, log Q, gain in dB): any frequency; what troubles a recording has a Q from 5 to 20 and
# stands out by 6 to 12 dB or so.
USUAL = np.array([0.0, np.log(10.0), 8.5])
WEIGHT = np.array([0.0, 1.0 / 0.5**2, 1.0 / 3.0**2])
LARGEST_STEP = np.array([0.03, 0.4, 3.0])
# The mean over a cell widens as a Gaussian of the same variance does, whose full width at half
# power is this share of the frequency.
CELL = np.sqrt(8.0 * np.log(2.0) / 12.0) * np.log(2.0) / PER_OCTAVE
TINY_STEP = np.array([1e-4, 1e-3, 1e-3])
FIRST_QS, FIRST_GAIN = (4.0, 6.5, 10.0, 16.0), 8.0
LOWEST, HIGHEST = 100.0, 9500.0  # Hz
MOST = 8
WORTH = 6.0  # log likelihood that a bell must add


@dataclass(frozen=True)
class Bell:
    """A bell that stands out, and by how much the logarithm of the likelihood grew with it."""

    frequency: float
    q: float
    gain_db: float
    worth: float

    @property
    def values(self) -> Values:
        """Log frequency, log Q, gain in dB."""
        return np.array([np.log(self.frequency), np.log(self.q), self.gain_db])


def curve(bell: Values, cells: Values, smear: float, rate: float) -> Values:
    """Gain in dB of a bell (log frequency, log Q, gain in dB) in each cell, seen in a window.

    Parameters
    ----------
    bell : ndarray, (3,)
    cells : ndarray, (cells,), Hz
    smear : float, Hz
    rate : float, Hz
        At which the bell was made.
    """
    frequency, q = np.exp(bell[:2])
    gain = 10.0 ** (bell[2] / 20.0)
    angle = np.pi / rate
    warped, centre = np.tan(angle * cells), np.tan(angle * frequency)
    width = 1.0 / (q * np.sqrt(gain))
    wider = (
        np.hypot(smear / frequency, CELL)
        * 2.0
        * angle
        * frequency
        / np.sin(2.0 * angle * frequency)
    )
    seen = 0.5346 * width + np.sqrt(0.2166 * width**2 + wider**2)
    away = (warped / centre - centre / warped) / seen
    return np.asarray(10.0 * np.log10(1.0 + (gain**2 - 1.0) * (width / seen) / (1.0 + away**2)))


class Starts:
    """Bells from which a fit may start, as each kind of evidence sees them.

    Parameters
    ----------
    smears : sequence of float, Hz
        Of each kind of evidence.
    cells : ndarray, (cells,), Hz
    rate : float, Hz
        At which the bells were made.
    """

    def __init__(self, smears: Sequence[float], cells: Values, rate: float) -> None:
        self.smears, self.cells, self.rate = smears, cells, rate
        top = min(HIGHEST, 0.93 * cells[-1])
        self.bells = np.array(
            [
                (np.log(frequency), np.log(q), FIRST_GAIN)
                for q in FIRST_QS
                for frequency in cells[(cells > LOWEST) & (cells < top)]
            ]
        )
        self.shapes = [
            np.array([curve(bell, cells, smear, rate) for bell in self.bells]) for smear in smears
        ]

    def curves(self, bells: Values) -> list[Values]:
        """Gain in dB of all bells (n, 3) together, for each kind."""
        nothing = np.zeros(len(self.cells))
        return [
            sum((curve(bell, self.cells, smear, self.rate) for bell in bells), nothing)
            for smear in self.smears
        ]


class Fit:
    """Bells in evidence.

    Parameters
    ----------
    evidence : sequence of Evidence
        One of each kind.
    starts : Starts
    """

    def __init__(self, evidence: Sequence[Evidence], starts: Starts) -> None:
        self.evidence, self.starts = evidence, starts
        self.norms = sum(
            np.einsum("ij,ij->i", shapes @ one.matrix, shapes)
            for shapes, one in zip(starts.shapes, evidence, strict=True)
        )

    def bells(self) -> list[Bell]:
        """The bells that are worth it, in the order in which they were found."""
        bells, loss, worths = np.zeros((0, 3)), 0.0, []
        while len(bells) < MOST:
            start = self._start(bells)
            if start is None:
                break
            more, lower = self._descend(np.vstack([bells, start]))
            if loss - lower < WORTH:
                break
            worths.append(loss - lower)
            bells, loss = more, lower
        return [
            Bell(float(np.exp(f)), float(np.exp(q)), float(gain), float(worth))
            for (f, q, gain), worth in zip(bells, worths, strict=True)
        ]

    def _curve(self, bell: Values, one: Evidence) -> Values:
        return curve(bell, self.starts.cells, one.smear, self.starts.rate)

    def _start(self, bells: Values) -> Values | None:
        """The most likely further bell, of a few widths; None where none is worth it."""
        match = np.zeros(len(self.starts.bells))
        curves = self.starts.curves(bells)
        for shapes, one, seen in zip(self.starts.shapes, self.evidence, curves, strict=True):
            match += shapes @ (one.vector - one.matrix @ seen)
        factor = np.clip(match / (self.norms + 1e-9), 0.0, 1.9)
        worth = factor * match - 0.5 * factor**2 * self.norms
        scaled = self.starts.bells.copy()
        scaled[:, 2] *= factor
        worth -= ((scaled - USUAL) ** 2 @ WEIGHT) / 2.0
        best = int(worth.argmax())
        if worth[best] < WORTH:
            return None
        return np.maximum(scaled[best], [0.0, 0.0, 1.0])

    def loss(self, bells: Values) -> float:
        """Minus the log likelihood, and how unusual the bells are."""
        total = float(((bells - USUAL) ** 2 @ WEIGHT).sum()) / 2.0
        for one, seen in zip(self.evidence, self.starts.curves(bells), strict=True):
            total += float(0.5 * seen @ (one.matrix @ seen) - seen @ one.vector)
        return total

    def _slopes(self, bells: Values) -> tuple[Values, Values]:
        """Gradient and Gauss-Newton curvature of the loss, (3n,) and (3n, 3n)."""
        gradient = (WEIGHT * (bells - USUAL)).ravel()
        curvature = np.diag(np.tile(WEIGHT + 1e-9, len(bells)))
        for one, seen in zip(self.evidence, self.starts.curves(bells), strict=True):
            jacobian = np.array([line for bell in bells for line in self._lines(bell, one)])
            weighted = jacobian @ one.matrix
            gradient += weighted @ seen - jacobian @ one.vector
            curvature += weighted @ jacobian.T
        return gradient, curvature

    def _lines(self, bell: Values, one: Evidence) -> list[Values]:
        """How a bell's curve changes with each of its values."""
        here = self._curve(bell, one)
        steps = np.diag(TINY_STEP)
        return [(self._curve(bell + step, one) - here) / step.sum() for step in steps]

    def _descend(self, bells: Values) -> tuple[Values, float]:
        """Least loss from here, by Levenberg's and Marquardt's method."""
        damping, loss = 1.0, self.loss(bells)
        largest = np.tile(LARGEST_STEP, len(bells))
        gradient, curvature = self._slopes(bells)
        for _ in range(60):
            damped = curvature + damping * np.diag(np.diag(curvature))
            step = np.clip(-np.linalg.solve(damped, gradient), -largest, largest)
            tried = bells + step.reshape(-1, 3)
            lower = self.loss(tried)
            if lower >= loss:
                damping *= 4.0
                if damping > 1e8:
                    break
                continue
            gained, bells, loss, damping = loss - lower, tried, lower, max(damping / 4.0, 1e-6)
            if gained < 1e-3:
                break
            gradient, curvature = self._slopes(bells)
        return bells, loss
