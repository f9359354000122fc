"""How uneven a source's own spectrum is, chosen together with the bells that stand on it.

A voice's harmonics carry strong formants that stay, its noise hardly any, a level noise none; and
where one spectrum is uneven, another may show a resonance plainly. So each has its own unevenness,
its own strength of formants (a dark voice need not have strong ones) and its own fine ripple, those
under which the recording is most likely (empirical Bayes: Rasmussen and Williams, Gaussian
Processes for Machine Learning, section 5.4.1). Bells and these are chosen in turn until neither
changes.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import product

import numpy as np
from numpy.typing import NDArray

from chainkit.dsp.ringing import evidence
from chainkit.dsp.ringing.bell_fit import Bell, Fit, Starts
from chainkit.dsp.ringing.evidence import Evidence
from chainkit.dsp.ringing.observation import Spectrum

Values = NDArray[np.float64]

# Unevenness, formants, ripple in dB. What has no mouth has no formants to choose.
HISS = tuple(product((0.1, 0.3, 1.0, 2.0), (0.0,), (0.0, 0.7, 1.2, 2.0)))
VOICE = tuple(product((0.3, 1.0), (0.0, 0.1, 0.3, 0.6, 1.0, 2.0), (0.0, 0.7, 1.4)))
# Log likelihood of a bell, when choosing among fits: its place is one of some 300 (ln 300 = 5.7),
# and its Q and gain become known ten times as well as before (ln 10 = 2.3 each).
COST = 10.0
ROUNDS = 4


def likeliest_bells(
    information: dict[Spectrum, tuple[Values, Values]], cells: Values, rate: float
) -> list[Bell]:
    """Bells under the unevenness of each spectrum that makes the recording most likely.

    Parameters
    ----------
    information : dict of Spectrum to (matrix, vector)
        From `evidence.gather`.
    cells : ndarray, (cells,), Hz
    rate : float, Hz
        At which the bells were made.
    """
    if not information:
        return []
    kinds = [
        evidence.freed(spectrum, *known, VOICE if spectrum.mouth else HISS)
        for spectrum, known in information.items()
    ]
    starts = Starts([spectrum.smear for spectrum in information], cells, rate)
    # From the most even to the most uneven source: the two ends of what may be found.
    found = [_settled([kind[end] for kind in kinds], kinds, starts) for end in (0, -1)]
    return max(found, key=lambda one: one[0])[1]


def _settled(
    chosen: list[Evidence], kinds: Sequence[Sequence[Evidence]], starts: Starts
) -> tuple[float, list[Bell]]:
    """Log likelihood, and the bells, when bells and unevenness suit one another."""
    for _ in range(ROUNDS):
        bells = Fit(chosen, starts).bells()
        curves = starts.curves(np.array([bell.values for bell in bells]).reshape(-1, 3))
        before, chosen = chosen, [_likeliest(*both) for both in zip(kinds, curves, strict=True)]
        if all(old is new for old, new in zip(before, chosen, strict=True)):
            break
    total = sum(one.log_evidence for one in before) + sum(bell.worth - COST for bell in bells)
    return total, bells


def _likeliest(kind: Sequence[Evidence], curve: Values) -> Evidence:
    return max(kind, key=lambda one: one.log_likelihood(curve))
