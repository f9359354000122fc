"""Level moves for a voice, as an engineer rides a fader: phrase by phrase, ahead of time.

Every phrase gets the gain that brings it toward its target by the chosen share. The target is one
loudness for all phrases, and with a backing it moves as the backing swells and thins. Inside a
phrase the gain follows only what is slow. Between phrases it comes down to 0 dB, so that breaths,
room and bleed are not lifted, and the rise to a phrase is complete when the phrase begins. No move
is faster than a hand draws it, but in the silence between a breath and its phrase; where even that
leaves no room for one, the phrase's edge gives it.
Between two lifts, a short gap in which nobody breathes is passed over. From one phrase that is
turned down to another the gain goes straight: at 0 dB, what lies between would stand out.

Gains are drawn on knots 10 ms apart: knot k lies at k · 10 ms, where hop k begins.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from numbers import Real

import numpy as np
from numpy.typing import NDArray

from chainkit.dsp.levels import power_to_db, to_gain
from chainkit.dsp.loudness import HOPS_A_SECOND, to_lufs
from chainkit.dsp.phrases import HOLE, Phrasing, Stretch, smoothed
from chainkit.dsp.polyline import simplify

Values = NDArray[np.float64]

TOLERANCE = 0.2  # dB from the intended curve to the lines drawn; rounding takes the rest of 0.25
WINDOW = 400  # hops of the Hann window that tells what is slow in a phrase: 4 s
SLEW = 2.0 / HOPS_A_SECOND  # dB a hop: the fastest move inside a phrase
FALL, RISE = 20, 10  # hops that a move takes behind and ahead of a phrase, where it is free to
PAUSE = 50  # hops: a shorter gap without a breath is no reason to come down between two lifts
# dB a hop: 6 dB in 80 ms. Faster moves are heard as steps (common practice, no source).
STEEPEST = 75.0 / HOPS_A_SECOND
# dB a hop: 6 dB in 20 ms, in the silence between a breath and its phrase, where nothing is heard.
QUICKEST = 300.0 / HOPS_A_SECOND
SILENT = 0.01  # of the phrase's mean power: 20 dB below it
# Hops by which a move is complete ahead of its phrase, for a first consonant that was not found:
# where there is room, and behind a breath.
LEAD, SPARE = 6, 2
TURN = 5.0 / HOPS_A_SECOND  # dB a hop by which a slope changes where the curve is said to turn
SOUNDING = 0.1  # hops of a phrase below this share of its mean power tell nothing of its loudness
FARTHEST = 24.0  # dB, of a reach
ABSENT = 20.0  # LU below the backing's mean loudness: there the voice is alone
BEAT = 101  # hops over which the backing is heard to play: 1 s, so that there is a beat in them


@dataclass(frozen=True)
class RideSettings:
    """How to ride.

    Parameters
    ----------
    amount : float, 0 to 1
        Share of a phrase's departure from the one loudness that is taken away.
    follow : float, 0 to 1
        Share of the backing's swell that the voice follows.
    reach : float, dB, 0 to 24
        Greatest gain up or down.

    Raises
    ------
    ValueError
        One is no number, or out of bounds.
    """

    amount: float
    follow: float
    reach: float

    def __post_init__(self) -> None:
        for name, most in (("amount", 1.0), ("follow", 1.0), ("reach", FARTHEST)):
            found = getattr(self, name)
            is_number = isinstance(found, Real) and not isinstance(found, bool)
            if not is_number or not 0.0 <= found <= most:
                raise ValueError(f"{name} {found!r} is not a number from 0 to {most:g}")


@dataclass(frozen=True)
class Riding:
    """The moves, and what they do to the phrases.

    Attributes
    ----------
    curve : ndarray, (hops + 1,), dB
        The intended gain at each knot.
    knots : list of int
        The few knots whose straight connection stays within 0.2 dB of the curve.
    wanted : ndarray, (phrases,), dB
        Gain that the settings ask for, the range left aside.
    before, after : ndarray, (phrases,), LUFS
        Loudness of each phrase, and with the drawn gain.
    backing : ndarray, (phrases,), LUFS
        Loudness of the backing under each phrase; −inf where there is none.
    """

    curve: Values
    knots: list[int]
    wanted: Values
    before: Values
    after: Values
    backing: Values

    @property
    def drawn(self) -> Values:
        """Gain in dB at each knot of the lines drawn, (hops + 1,)."""
        return drawn(self.curve, self.knots)


def ride(power: Values, backing: Values, phrasing: Phrasing, settings: RideSettings) -> Riding:
    """Moves for a voice.

    Parameters
    ----------
    power, backing : ndarray, (hops,)
        K-weighted mean squares of voice and backing for each 10 ms; zeros where there is no
        backing.
    phrasing : Phrasing
    settings : RideSettings
    """
    phrases = phrasing.phrases
    loudness = np.array([_loudness(_of(power, phrase)) for phrase in phrases])
    plays = _playing(backing)
    under = np.array([_under(backing, plays, phrase) for phrase in phrases])
    wanted = _wanted(loudness, under, np.array([len(phrase) for phrase in phrases]), settings)
    curve = np.zeros(len(power) + 1)
    for phrase, gain, swell in zip(phrases, wanted, np.isfinite(under), strict=True):
        moved = _inside(_of(power, phrase), _of(backing, phrase) * swell, gain, settings)
        curve[phrase.start : phrase.stop + 1] = _on_knots(moved)
    _cross_gaps(curve, phrasing)
    curve = _no_steeper(curve, _steepest(power, phrasing))
    knots = _without_twins(curve, simplify(curve, TOLERANCE, _turns(curve)))
    lifted = power * to_gain(drawn(curve, knots)[:-1]) ** 2
    after = np.array([_loudness(_of(lifted, phrase), _of(power, phrase)) for phrase in phrases])
    return Riding(curve, knots, wanted, loudness, after, under)


def drawn(curve: Values, knots: list[int]) -> Values:
    """Gain in dB at each knot of the straight lines between the few `knots`."""
    return np.interp(np.arange(len(curve)), knots, curve[knots])


# ------------------------------------------------------------------------------ what a phrase needs
def _wanted(loudness: Values, under: Values, lengths: Values, settings: RideSettings) -> Values:
    """Gain in dB for each phrase as a whole; their mean, weighted by length, is about 0."""
    if not loudness.size:
        return loudness
    evened = np.average(loudness, weights=lengths) - loudness
    swell = np.zeros(len(under))
    present = np.isfinite(under)
    if present.any():
        swell[present] = under[present] - np.average(under[present], weights=lengths[present])
    return settings.amount * evened + settings.follow * swell


def _inside(power: Values, backing: Values, wanted: Values, settings: RideSettings) -> Values:
    """Gain in dB over a phrase, (hops,): slow, and as a whole what is `wanted`."""
    shape = -settings.amount * _slow_level(power, _sounding(power))
    if backing.any():
        shape += settings.follow * _slow_level(backing, np.ones(len(backing), bool))
    shape = _slowed(shape - shape.mean())
    sounding = power * _sounding(power)
    reached = power_to_db((sounding * to_gain(shape) ** 2).sum() / sounding.sum())
    gain = shape - reached + np.clip(wanted, -settings.reach, settings.reach)
    return np.clip(gain, -settings.reach, settings.reach)


def _slow_level(power: Values, counts: NDArray[np.bool_]) -> Values:
    """Level in dB of the hops that count, smoothed within the phrase."""
    window = np.hanning(WINDOW + 1)
    weight = _spread(counts.astype(np.float64), window)
    mean = power[counts].mean()
    # One hop's worth of the mean keeps the quotient tame where few hops count.
    return power_to_db((_spread(power * counts, window) + mean) / (weight + 1.0))


def _spread(values: Values, window: Values) -> Values:
    return np.convolve(values, window)[len(window) // 2 :][: len(values)]


def _slowed(shape: Values) -> Values:
    """`shape` shrunk toward 0 until it moves no faster than `SLEW`."""
    steepest = float(np.abs(np.diff(shape)).max(initial=0.0))
    return shape * min(1.0, SLEW / steepest) if steepest else shape


def _on_knots(gains: Values) -> Values:
    """Values at the n + 1 edges of n hops."""
    return np.interp(np.arange(len(gains) + 1), np.arange(len(gains)) + 0.5, gains)


# -------------------------------------------------------------------------- between the phrases
def _cross_gaps(curve: Values, phrasing: Phrasing) -> None:
    """Draw `curve` between the phrases."""
    edges = [knot for phrase in phrasing.phrases for knot in (phrase.start, phrase.stop)]
    ends = [0, *edges, len(curve) - 1]
    for start, stop in zip(ends[::2], ends[1::2], strict=True):
        curve[start : stop + 1] = _way(curve, Stretch(start, stop), phrasing.spared)


def _way(curve: Values, gap: Stretch, breaths: list[Stretch]) -> Values:
    """Gains on the knots of a gap: straight where it is passed over, else down and up again."""
    before, behind = gap.start > 0, gap.stop < len(curve) - 1  # where there is a phrase
    sides = [float(curve[k]) for k, there in ((gap.start, before), (gap.stop, behind)) if there]
    if len(sides) < 2 and len(gap) < HOLE:
        # The file begins or ends here, with no room for a move: what the phrase has holds.
        return np.full(len(gap) + 1, sides[0] if sides else 0.0)
    low = min([0.0, *sides])
    left = sides[0] if before else low
    right = sides[-1] if behind else low
    inside = [b for b in breaths if gap.start <= b.start < gap.stop]
    held = min(left, right) > 0.0 and not inside and len(gap) < PAUSE
    if held or max(left, right) <= 0.0:
        return np.linspace(left, right, len(gap) + 1)
    breaths = [Stretch(b.start - gap.start, b.stop - gap.start) for b in inside]
    return _valley(left, low, right, len(gap), breaths)


def _valley(left: float, low: float, right: float, hops: int, breaths: list[Stretch]) -> Values:
    """From `left` down to `low` and up to `right`, at `low` in the breaths; (hops + 1,)."""
    fall_room = breaths[0].start if breaths else hops // 2
    rise_room = hops - breaths[-1].stop if breaths else hops // 2
    rise = _rise_length(right - low, rise_room, bool(breaths))
    lead = min(LEAD, max(0, rise_room - rise))
    knots = np.arange(hops + 1)
    falling = left - (left - low) * knots / _length(left - low, min(FALL, fall_room))
    rising = right - (right - low) * (hops - lead - knots) / rise
    gains = np.maximum(low, np.maximum(falling, np.minimum(rising, right)))
    for breath in breaths:
        gains[breath.start : breath.stop + 1] = low
    return gains


def _length(lift: float, usual: int) -> int:
    """Hops of a move: the usual ones, or as many as the lift needs."""
    return max(math.ceil(lift / STEEPEST), usual, 1)


def _rise_length(lift: float, room: int, breathed: bool) -> int:
    """Hops of a rise ahead of a phrase; behind a breath it has to do with the silence there."""
    unhurried = _length(lift, min(RISE, room))
    if not breathed:
        return unhurried
    return max(min(unhurried, room - SPARE), math.ceil(lift / QUICKEST), 1)


def _steepest(power: Values, phrasing: Phrasing) -> Values:
    """The fastest move in each hop, in dB a hop; a phrase's first hop may be silent yet."""
    steepest = np.full(len(power), STEEPEST)
    phrases, breaths = set(phrasing.phrases), set(phrasing.breaths)
    sounds = sorted([*phrases, *phrasing.spared], key=lambda sound: sound.start)
    for one, following in zip(sounds, sounds[1:], strict=False):
        if one in breaths and following in phrases:
            between = slice(one.stop, following.start + 1)
            silent = power[between] < SILENT * _of(power, following).mean()
            steepest[between][silent] = QUICKEST
    return steepest


def _no_steeper(curve: Values, steepest: Values) -> Values:
    """The highest curve under `curve` that nowhere moves faster than `steepest`, (hops,)."""
    way = np.concatenate([[0.0], np.cumsum(steepest)])
    curve = np.minimum.accumulate(curve - way) + way  # nowhere rises faster
    return np.minimum.accumulate((curve + way)[::-1])[::-1] - way  # nor falls faster


def _turns(curve: Values) -> list[int]:
    """Knots at which the curve changes its slope by more than `TURN`."""
    return [int(knot) + 1 for knot in np.flatnonzero(np.abs(np.diff(curve, 2)) > TURN)]


def _without_twins(curve: Values, knots: list[int]) -> list[int]:
    """`knots` with the higher of two a hop apart moved away by a hop, or left out at the next.

    `curve` is redrawn there. Its corners are cut and none is filled, so no breath is lifted.
    """
    kept, last = knots[:1], knots[-1]
    for knot in knots[1:-1]:
        if knot > kept[-1] + 1 or len(kept) == 1:
            kept.append(knot)
        elif knot == kept[-1] + 1 and curve[knot] >= curve[kept[-1]]:
            kept.append(min(knot + 1, last))
        elif knot == kept[-1] + 1:
            higher = kept.pop() - 1
            kept += [higher, knot] if higher > kept[-1] + 1 else [knot]
    kept = [knot for knot in kept if knot < last] + knots[-1:]
    _redraw(curve, sorted({*knots} ^ {*kept}), kept)
    return kept


def _redraw(curve: Values, changed: list[int], kept: list[int]) -> None:
    """Draw straight lines between those `kept` knots that have a changed one between or beside."""
    for first, last in zip(kept, kept[1:], strict=False):
        if any(first <= knot <= last for knot in changed):
            curve[first : last + 1] = np.linspace(curve[first], curve[last], last - first + 1)


# ------------------------------------------------------------------------------------- loudness
def _of(values: Values, phrase: Stretch) -> Values:
    return values[phrase.start : phrase.stop]


def _sounding(power: Values) -> NDArray[np.bool_]:
    return power >= SOUNDING * power.mean()


def _loudness(power: Values, gate: Values | None = None) -> float:
    """Loudness in LUFS of the hops of a phrase that sound, by `gate`'s power where given."""
    return float(to_lufs(power[_sounding(power if gate is None else gate)].mean()))


def _playing(backing: Values) -> NDArray[np.bool_]:
    """Hops in which the backing is heard."""
    mean = backing.sum() / max(1, len(backing))
    return smoothed(backing, BEAT) > mean / 10.0 ** (ABSENT / 10.0)


def _under(backing: Values, plays: NDArray[np.bool_], phrase: Stretch) -> float:
    """Loudness in LUFS of the backing under a phrase; −inf where it mostly does not play."""
    heard = plays[phrase.start : phrase.stop]
    return float(to_lufs(_of(backing, phrase)[heard].mean())) if heard.mean() >= 0.5 else -np.inf
