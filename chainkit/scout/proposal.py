"""A starting chain out of what was found: every value explained, nothing final.

Cuts are narrow and boosts wide, the EQ comes ahead of the compressor (common practice, no source).
The gain of each move is that of its finding. What is not sure is kept only where it brings the
long-term spectrum nearer to its own smooth trend, a resonance ahead of a region about it. What is
left out is named, with the reason.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from chainkit.dsp import filters
from chainkit.dsp.levels import to_db, to_gain
from chainkit.dsp.regions import FALLEN, REGIONS
from chainkit.dsp.spectrum import nominal
from chainkit.scout.analyse import Scouting
from chainkit.scout.findings import DEEPEST_WIDE, OFTEN, SURE, Finding, taken_about
from chainkit.scout.source import is_attack
from chainkit.stages.eq import Band, Bell, Highpass, HighShelf
from chainkit.units import FREQUENCY, GAIN

Values = NDArray[np.float64]

MOST_CUTS = 6  # of resonances
WIDEST_Q, OCTAVE_Q = 0.8, 1.4  # of a boost; of a bell an octave wide
FILLED = (200.0, 3000.0)  # Hz
HALF_AN_OCTAVE = 2.0**0.5  # to either side of a place, what its mean over nine twelfths reaches
LEAST_FILL, MOST_FILL = 0.5, 2.0  # dB
FILLED_TO = 40.0  # dB below the strongest twelfth, under which there is nothing to lift
WORTH = 0.02  # dB of unevenness that a move must take away
OVERLAP = 0.5  # dB that one wide cut may take where another is deepest
WIDE_APART, NARROW_APART = 1.0 / 2.0, 1.0 / 6.0  # octaves to the next cut
UNDER_LOWEST, SLOPE = 0.7, 24.0  # of the lowest third octave in which the source lives; dB/oct
UNDER_RUMBLE, STEEPER = 0.8, 36.0  # the same where rumble is to be taken away
LOWEST_HIGHPASS, HIGHEST_HIGHPASS = 20.0, 90.0  # Hz
OFFSET = 0.01  # of the sample peak: a DC offset that is to go (common practice, no source)
HIGHEST = 0.45  # of the sample rate

ENOUGH = f"{MOST_CUTS} cuts of resonances are enough to begin with"
TOO_MUCH = f"wide cuts that overlap it would take more than {DEEPEST_WIDE:g} dB with it"
NOT_EVENER = "the spectrum would be no more even for it"
LINES = {"hum": "Mains hum", "tone": "A steady tone"}
OWN = "few different notes sound there, so that it may be the notes themselves"


@dataclass(frozen=True)
class Move:
    """One band of the EQ and why it is there."""

    band: Band
    reason: str


@dataclass(frozen=True)
class Plan:
    """What goes into the EQ, the lowest first, and what was found but does not, with the reason."""

    moves: tuple[Move, ...]
    left_out: tuple[tuple[Finding, str], ...]


def plan(scouting: Scouting) -> Plan:
    """Choose among what was found."""

    def found(kind: str) -> list[Finding]:
        return [finding for finding in scouting.findings if finding.kind == kind]

    draft = _Draft(scouting)
    draft.high_pass()
    for finding in (*found("hum"), *found("tone")):
        draft.take(finding, _line(finding))
    cuts = 0
    for finding in found("resonance"):
        if cuts == MOST_CUTS:
            draft.leave([finding], ENOUGH)
        else:
            cuts += draft.weigh(finding, _resonance(finding), NARROW_APART, _is_sure(finding))
    for finding in scouting.findings:
        if finding.kind in REGIONS:
            draft.weigh_wide(finding, _region(finding))
    if not scouting.own_partials:
        for move in _fill(scouting):
            draft.weigh_wide(None, move)
    for finding in found("air"):
        if finding.gain_db is None:
            draft.leave([finding], finding.note or NOT_EVENER)
        else:
            draft.take(finding, _air(finding))
    draft.leave(scouting.own_partials, OWN)
    return Plan(tuple(sorted(draft.moves, key=_place)), tuple(draft.left_out))


class _Draft:
    """A plan in the making."""

    def __init__(self, scouting: Scouting) -> None:
        self._scouting = scouting
        self.moves: list[Move] = []
        self._cuts: list[Bell] = []  # those that others keep away from
        self._wide: list[Move] = []
        self.left_out: list[tuple[Finding, str]] = []

    def leave(self, findings: Sequence[Finding], reason: str) -> None:
        """Leave findings out."""
        self.left_out += [(finding, reason) for finding in findings]

    def high_pass(self) -> None:
        """Take what lies below the source away, where it leaves room for that."""
        rumble = next((f for f in self._scouting.findings if f.kind == "rumble"), None)
        band = _high_pass(self._scouting, rumble)
        if band is None:
            reason = "the source itself reaches down there, so there is no high-pass"
            self.leave([rumble] if rumble else [], reason)
        else:
            self.moves.append(Move(band, _why_high_pass(self._scouting, band, rumble)))

    def take(self, finding: Finding | None, move: Move) -> bool:
        """Take a move that the sample rate has room for."""
        fits = move.band.frequency < HIGHEST * self._scouting.rate
        if fits:
            self.moves.append(move)
        elif finding is not None:
            self.leave([finding], "it lies too close to half the sample rate")
        return fits

    def weigh(self, finding: Finding | None, move: Move, apart: float, sure: bool = False) -> bool:
        """Take a bell that stands apart from the others and, unless sure, evens the spectrum."""
        near = next((cut for cut in self._cuts if _octaves(cut, move.band) < apart), None)
        if near is not None:
            self.leave([finding] if finding else [], f"the change at {hertz(near)} is near")
            return False
        if not sure and not self._evener(move):
            self.leave([finding] if finding else [], NOT_EVENER)
            return False
        taken = self.take(finding, move)
        if taken and isinstance(move.band, Bell):
            self._cuts.append(move.band)
        return taken

    def weigh_wide(self, finding: Finding | None, move: Move) -> None:
        """Weigh a wide bell that does not, with those that overlap it, take more than one may."""
        if curve(self._scouting, [*self._wide, move]).min() < -DEEPEST_WIDE - OVERLAP:
            self.leave([finding] if finding else [], TOO_MUCH)
        elif self.weigh(finding, move, WIDE_APART):
            self._wide.append(move)

    def _evener(self, move: Move) -> bool:
        tilt = self._scouting.tilt
        before = tilt.unevenness(curve(self._scouting, self.moves))
        return tilt.unevenness(curve(self._scouting, [*self.moves, move])) < before - WORTH


def _place(move: Move) -> float:
    return move.band.frequency


def _octaves(one: Band, other: Band) -> float:
    return float(abs(np.log2(one.frequency / other.frequency)))


def hertz(at: Band | float) -> str:
    """A frequency as a chain file holds it."""
    return FREQUENCY.format(_step(at.frequency if isinstance(at, Band) else at))


def _bell(finding: Finding, reason: str) -> Move:
    frequency, gain = _step(finding.frequency_hz), finding.gain_db or 0.0
    return Move(Bell(frequency=frequency, gain=gain, q=round(finding.q or 1.0, 1)), reason)


def _line(finding: Finding) -> Move:
    low, high = taken_about(finding.frequency_hz, finding.gain_db or 0.0, finding.q or 1.0)
    reason = f"{LINES[finding.kind]}, there in the pauses too."
    if not _is_sure(finding):
        reason = "A hint of mains hum, faint in the noise of the pauses: half of it taken away."
    if round(high) > round(low):
        reason += f" What is sung or played from {low:.0f} to {high:.0f} Hz loses 3 dB and more."
    return _bell(finding, reason)


def _resonance(finding: Finding) -> Move:
    tall, half = finding.prominence_db, finding.prominence_db / 2.0
    if finding.confidence < SURE:
        words = f"A hint of a resonance, {tall:.1f} dB tall: {_part(finding, half)} taken away"
        return _bell(finding, f"{words}, as narrow as it is; to be judged by ear.")
    often = "whatever sounds" if finding.share >= OFTEN else "whenever something sounds there"
    words = f"Stands {tall:.1f} dB out, {often}: a cut as narrow as it is"
    return _bell(finding, f"{words}, {_as_deep(finding, tall)}.")


def _part(finding: Finding, half: float) -> str:
    """How much of what stands out or lacks is changed: half, or less where that is too much."""
    gain = abs(finding.gain_db or 0.0)
    return "half of it" if abs(gain - half) < 0.1 else f"{gain:g} dB of it, no more,"


def _as_deep(finding: Finding, tall: float) -> str:
    gain = abs(finding.gain_db or 0.0)
    return "and as deep" if abs(gain - tall) < 0.1 else f"but no deeper than {gain:g} dB"


def _is_sure(finding: Finding | None) -> bool:
    return finding is not None and finding.confidence >= SURE


def _high_pass(scouting: Scouting, rumble: Finding | None) -> Highpass | None:
    """A high-pass that leaves the source as it is; None where there is no room for one.

    It is higher and steeper where it would else take less of a sure rumble than that stands out.
    """
    lowest, rate = scouting.tilt.lowest, scouting.rate
    band = _under(UNDER_LOWEST * lowest, SLOPE)
    if rumble is not None and _is_sure(rumble):
        short = band is None or _taken(band, rumble, rate) < rumble.prominence_db
        band = _under(UNDER_RUMBLE * lowest, STEEPER) if short else band
    if band is None and has_offset(scouting):
        return Highpass(frequency=LOWEST_HIGHPASS, slope=SLOPE)
    return band


def _under(corner: float, slope: float) -> Highpass | None:
    """A high-pass at a corner in Hz, in steps of 5 Hz; None below 20 Hz."""
    if corner < LOWEST_HIGHPASS:
        return None
    return Highpass(frequency=5.0 * round(min(corner, HIGHEST_HIGHPASS) / 5.0), slope=slope)


def _taken(band: Highpass, rumble: Finding, rate: int) -> float:
    """What a high-pass takes of rumble, in dB."""
    at = np.array([rumble.frequency_hz])
    return -float(to_db(np.abs(filters.response(band.sections(rate), at, rate)))[0])


def has_offset(scouting: Scouting) -> bool:
    """Whether there is a DC offset worth a word and a high-pass, at whatever level."""
    return offset_share(scouting) >= OFFSET


def offset_share(scouting: Scouting) -> float:
    """DC offset against the sample peak, 0 to 1; 0 for silence."""
    measured = scouting.heard.measurement
    if measured.sample_peak_dbfs is None:
        return 0.0
    return float(abs(measured.dc_offset) / to_gain(measured.sample_peak_dbfs))


def _why_high_pass(scouting: Scouting, band: Highpass, rumble: Finding | None) -> str:
    reasons = []
    if scouting.tilt.lowest > LOWEST_HIGHPASS:
        lowest = hertz(nominal(scouting.tilt.lowest))
        under = f"lie {FALLEN:g} dB and more under its strongest"
        apart = "Apart from the rumble, below" if _reaches(scouting) else "Below"
        reasons.append(f"{apart} {lowest} this source's own third octaves {under}.")
    if rumble is not None:
        there = f"There is rumble at {rumble.frequency_hz:.0f} Hz ({rumble.note})"
        reasons.append(f"{there}, of which it takes {_taken(band, rumble, scouting.rate):.0f} dB.")
    if has_offset(scouting):
        offset = scouting.heard.measurement.dc_offset
        reasons.append(f"There is a DC offset of {offset:.2g}, which it takes away.")
    return " ".join(reasons)


def _reaches(scouting: Scouting) -> bool:
    """Whether there is a rumble that was kept out of the spectrum."""
    rumble = scouting.heard.rumble
    return rumble is not None and rumble.reach > 0.0


def _region(finding: Finding) -> Move:
    excess, q = finding.prominence_db, finding.q or OCTAVE_Q
    reason = (
        f"{finding.kind.capitalize()}: {excess:.1f} dB above this source's own tilt; "
        f"{_part(finding, excess / 2.0)} taken away, {_width(q)}; to be judged by ear."
    )
    return _bell(finding, reason)


def _width(q: float) -> str:
    return "as wide as the hump" if q > OCTAVE_Q else "an octave wide, as the hump at least is"


def _fill(scouting: Scouting) -> Iterator[Move]:
    """A wide boost where the spectrum sags most, below the hiss, and a cut where it towers.

    Both are mild; they are what is left to do on a source without faults.
    """
    tilt = scouting.tilt
    inside = (tilt.frequencies > FILLED[0]) & (tilt.frequencies < FILLED[1])
    inside &= tilt.frequencies >= tilt.lowest * HALF_AN_OCTAVE
    inside &= tilt.frequencies <= tilt.highest / HALF_AN_OCTAVE
    inside &= tilt.levels > tilt.levels.max(initial=-np.inf) - FILLED_TO
    if not inside.any():
        return
    wide = np.convolve(tilt.departure, np.ones(9) / 9.0, mode="same")
    hum = max((f.frequency_hz for f in scouting.findings if f.kind == "hum"), default=0.0)
    at = int(np.where(inside & (tilt.frequencies > hum), wide, np.inf).argmin())
    boost = round(float(min(MOST_FILL, -wide[at] / 2.0)), 1)
    if boost >= LEAST_FILL:
        band = Bell(frequency=_step(tilt.frequencies[at]), gain=boost, q=WIDEST_Q)
        yield Move(band, f"{_no_finding('sags', -wide[at], boost)} given back, widely.")
    at = int(np.where(inside, wide, -np.inf).argmax())
    cut = round(float(min(MOST_FILL, wide[at] / 2.0)), 1)
    struck = not scouting.is_voice and is_attack(tilt.frequencies[at], scouting.heard.attack)
    if cut >= LEAST_FILL and not struck:
        band = Bell(frequency=_step(tilt.frequencies[at]), gain=-cut, q=OCTAVE_Q)
        yield Move(band, f"{_no_finding('towers', wide[at], cut)} taken away, an octave wide.")


def _no_finding(does: str, height: float, gain: float) -> str:
    place = f"No finding, but where this source's spectrum {does} most, by {height:.1f} dB"
    return f"{place} over three quarters of an octave: {GAIN.format(gain)}"


def _air(finding: Finding) -> Move:
    missing = -finding.prominence_db
    reason = (
        f"Air: {missing:.1f} dB less from 10 to 16 kHz than speech has on average; "
        f"{_part(finding, missing / 2.0)} "
        "given back by a wide shelf. It lifts the hiss as well."
    )
    frequency, q = finding.frequency_hz, finding.q or OCTAVE_Q
    return Move(HighShelf(frequency=frequency, gain=finding.gain_db or 0.0, q=q), reason)


def curve(scouting: Scouting, chosen: Sequence[Move], frequencies: Values | None = None) -> Values:
    """Gain in dB of the bands at the tilt's frequencies, or at others."""
    at = scouting.tilt.frequencies if frequencies is None else frequencies
    gain = np.zeros(len(at))
    for move in chosen:
        response = filters.response(move.band.sections(scouting.rate), at, scouting.rate)
        gain += 20.0 * np.log10(np.maximum(np.abs(response), 1e-10))
    return gain


def _step(frequency: float) -> float:
    """A frequency in three figures."""
    return float(round(frequency, 2 - int(np.floor(np.log10(frequency)))))
