"""Narrow bands that stand out whatever is played or sung: how wide, by how much, how surely.

A room, a microphone or an instrument's body rings at frequencies that stay where they are, while
harmonics move with the pitch and formants with the vowel. So:

1. The signal is followed in short windows, with its pitch (`pitch`).
2. Wherever something excites it the envelope of the spectrum is sampled: at harmonics
   (`excitation`, `harmonic_ratio`), and in noise. Where nothing excites it nothing is concluded.
3. All samples are brought together (`evidence`) under a model in which the vowel, level and tilt
   pass, a smooth spectrum lasts, and a few bells stand on it. How a voice's vowels vary is learnt
   from the recording (`passing`). How uneven the lasting spectrum of the harmonics and of the noise
   may be is chosen by the evidence (`unevenness`), so that one bell on level noise and a voice with
   strong formants are told apart: what only the harmonics show is the voice's own, a room or a
   microphone is in its hiss as well.
4. Bells are fitted (`bell_fit`), with the width the windows lend to them accounted for.
5. Below the lowest pitch the noise of the pauses gives hints (`room_noise`).

Confidence comes from how much more likely the recording becomes with the bell, and from how far
the pitch moved: on a single held note a resonance cannot be told from the note's own colour.

The method is our own. That harmonics sample a source's spectral envelope is the view of G. Fant,
Acoustic Theory of Speech Production, 1960.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from chainkit.dsp.decimation import decimated
from chainkit.dsp.ringing import (
    bell_fit,
    evidence,
    excitation,
    harmonic_ratio,
    log_cells,
    room_noise,
)
from chainkit.dsp.ringing.observation import Observation
from chainkit.dsp.ringing.unevenness import likeliest_bells

Values = NDArray[np.float64]

SHORTEST = 1.0  # seconds
LISTENED, PIECE = 75.0, 3.0  # seconds, of longer recordings
LOUDER = 0.75  # share of the pieces from among which those are taken
FADE = 0.01  # seconds
SILENT = 1e-8  # of full scale, peak
LEAST_RATE = 22_000.0  # Hz, after decimation
EVEN = 12.0  # log likelihood at which a finding is as likely as not to be there
STEEP = 0.25
NARROW, WIDE = 1.5, 3.0  # semitones that the pitch moves, for no and for full confidence
BELOW = 0.9  # of the lowest pitch: up to there only the pauses tell
HINT = 0.5  # confidence in what only the pauses tell, at most
BESIDE = 0.1  # of a frequency: what is nearer is the same
LEAST = 0.1  # confidence worth telling
LEAST_GAIN = 3.0  # dB: what stands out less is no trouble
MOST_Q = 60.0  # what is narrower is a tone
INAUDIBLE = 1e-8  # of the whole power: 80 dB below, where a pure tone leaves rounding alone
EXCITED = 1e-3  # of the power of a band's loudest twentieth


@dataclass(frozen=True)
class Resonance:
    """A resonance, as a bell above its surroundings.

    Attributes
    ----------
    frequency : float, Hz
    q : float
    gain_db : float
        How far it stands out; a bell of −`gain_db` at `q` brings it level.
    share : float, 0 to 1
        Of the time, in which the band is excited.
    confidence : float, 0 to 1
    """

    frequency: float
    q: float
    gain_db: float
    share: float
    confidence: float


def find_resonances(x: Values, rate: int) -> list[Resonance]:
    """The resonances of a signal, the most important first.

    Parameters
    ----------
    x : ndarray, (frames,)
        Of recordings longer than 75 s, pieces of 3 s are heard.
    rate : int, Hz
        At least 8000.

    Returns
    -------
    list of Resonance
        Ordered by confidence times gain; at most eight, and as many hints; none for less than a
        second or silence.

    Raises
    ------
    ValueError
        `x` is not of one dimension, or the rate is below 8000 Hz.
    """
    if x.ndim != 1 or rate < 8000:
        raise ValueError("a signal of one dimension and a rate of at least 8000 Hz are needed")
    if len(x) < SHORTEST * rate or np.abs(x).max() < SILENT:
        return []
    chosen, lower = decimated(_pieces(x, rate), rate, LEAST_RATE)
    cells = log_cells.centres(lower)
    followed = excitation.track(chosen, lower, cells)
    observations = [
        *excitation.harmonics(followed, cells),
        *harmonic_ratio.moving_harmonics(chosen, lower, followed, cells),
        *excitation.noises(chosen, lower, followed, cells),
    ]
    sure = _steadiness(observations)
    heard = likeliest_bells(evidence.gather(observations, len(cells)), cells, rate)
    told = _told(heard, sure, followed)
    quiet = evidence.gather(room_noise.pauses(chosen, lower, followed, cells), len(cells))
    hints = _told(likeliest_bells(quiet, cells, rate), HINT, followed)
    told += [
        hint
        for hint in hints
        if hint.frequency < BELOW * followed.lowest
        and all(abs(one.frequency / hint.frequency - 1.0) > BESIDE for one in told)
    ]
    return sorted(told, key=_importance)


def _told(bells: list[bell_fit.Bell], most: float, followed: excitation.Track) -> list[Resonance]:
    """What is worth telling of bells, with a confidence of `most` at best."""
    found = [
        Resonance(bell.frequency, bell.q, bell.gain_db, _share(followed, bell), most * _sure(bell))
        for bell in bells
        if bell.gain_db >= LEAST_GAIN and bell.q <= MOST_Q and _weight(followed, bell) > INAUDIBLE
    ]
    return distinct([one for one in found if one.confidence >= LEAST])


def distinct(found: Sequence[Resonance]) -> list[Resonance]:
    """The most important of those that share a place, the most important first.

    Two bells may be fitted to one hump that is taller than a bell may be. They share a place where
    each lies within the width, f / Q, of the other.
    """
    kept: list[Resonance] = []
    for one in sorted(found, key=_importance):
        if not any(_share_place(one, other) for other in kept):
            kept.append(one)
    return kept


def _importance(one: Resonance) -> float:
    return -one.confidence * one.gain_db


def _share_place(one: Resonance, other: Resonance) -> bool:
    apart = abs(one.frequency - other.frequency)
    return apart < min(one.frequency / one.q, other.frequency / other.q)


def _pieces(x: Values, rate: int) -> Values:
    """Pieces evenly spread among the louder ones, faded at both ends; short signals as they are."""
    size, wanted = round(PIECE * rate), round(LISTENED / PIECE)
    if len(x) <= wanted * size:
        return x / np.abs(x).max()
    pieces = x[: len(x) // size * size].reshape(-1, size)
    power = np.einsum("ij,ij->i", pieces, pieces)
    louder = np.sort(np.argsort(power)[-max(wanted, round(LOUDER * len(power))) :])
    chosen = pieces[louder[np.linspace(0, len(louder) - 1, wanted).round().astype(int)]]
    ramp = np.linspace(0.0, 1.0, round(FADE * rate))
    chosen[:, : len(ramp)] *= ramp
    chosen[:, -len(ramp) :] *= ramp[::-1]
    return np.asarray(chosen.ravel() / np.abs(chosen).max())


def _sure(bell: bell_fit.Bell) -> float:
    return float(1.0 / (1.0 + np.exp(-STEEP * (bell.worth - EVEN))))


def _weight(followed: excitation.Track, bell: bell_fit.Bell) -> float:
    """Share of the whole power that lies in a bell's band."""
    half = max(0.5 * bell.frequency / bell.q, followed.spacing)
    first, last = ((bell.frequency + side * half) / followed.spacing for side in (-1, 1))
    band = followed.powers[:, max(0, round(first)) : round(last) + 1]
    return float(band.sum() / max(followed.powers.sum(), 1e-300))


def _steadiness(observations: list[Observation]) -> float:
    """How far what was excited allows any conclusion, 0 to 1."""
    pitch = np.array([one.pitch for one in observations])
    if not len(pitch) or (pitch == 0.0).mean() > 0.3:
        return 1.0
    low, high = np.percentile(pitch[pitch > 0.0], [5, 95])
    return float(np.clip((12.0 * np.log2(high / low) - NARROW) / (WIDE - NARROW), 0.0, 1.0))


def _share(followed: excitation.Track, bell: bell_fit.Bell) -> float:
    half = max(0.5 * bell.frequency / bell.q / followed.spacing, 1.0)
    middle = bell.frequency / followed.spacing
    low, high = max(0, round(middle - half)), round(middle + half) + 1
    power = followed.powers[:, low:high].sum(1)
    return float((power > EXCITED * np.percentile(power, 95)).mean())
