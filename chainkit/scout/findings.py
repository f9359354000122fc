"""One kind of record for everything the scout finds.

The gain that a finding proposes is limited here, once; the table, the sweeps and the chain all take
it as it is. A hint, of a confidence below one half, is brought half of the way.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np

from chainkit.dsp import prominence
from chainkit.dsp.attack import Attack
from chainkit.dsp.hum import Hum, Line
from chainkit.dsp.longterm import LongTerm
from chainkit.dsp.regions import Region
from chainkit.dsp.ringing.resonance import Resonance
from chainkit.dsp.rumble import Rumble
from chainkit.dsp.spectrum import nominal

DEEPEST = 12.0  # dB, of a cut
DEEPEST_WIDE = 4.0  # dB, of a cut in a region
GREATEST_BOOST = 4.0  # dB
DEEPEST_LINE_CUT = 24.0  # dB; deeper cuts ring on and are not heard to be deeper
LEAST_HUM = 1.0  # dB of a line above the noise in the width of its cut
LINE_WIDTH = 4.0  # Hz, of such a cut where it takes 3 dB; what is sung beside it stays
NARROWEST = 100.0  # Q that a chain may hold
AIR_SHELF, AIR_Q = 8000.0, 0.7  # Hz: there a shelf has half its gain
NOTHING_LIFTED = 30.0  # dB less air than speech has, from which there is nothing to lift
NOISE_SWING = 6.0  # dB; noise moves less while a voice sounds, hiss and breath move more
OFTEN = 0.25  # of the time, in which what sounds shows a resonance whatever it is
ENDS = 20.0  # dB from one half of the air to the next: in voices it falls by 3 to 7 dB
SURE = 0.5
"""Confidence from which a finding is acted upon."""

NOISE = "there is nothing up here to lift but noise"
ENDED = "the source ends below 16 kHz, so that there is nothing up here to lift"

HIDDEN = 0.3
"""Clear share below which the backing hides: the source is more than 6 dB below it."""

AGAINST = {
    "resonance": "around", "hum": "noise", "tone": "noise", "rumble": "usual", "mud": "trend",
    "boxiness": "trend", "harshness": "trend", "air": "speech", "sibilance": "voice",
    "attack": "mean",
}  # fmt: skip
"""What the level of each kind of finding is told against."""

PLACES = ("sibilance", "attack")
"""Kinds that are no trouble in themselves."""


@dataclass(frozen=True)
class Finding:
    """A trouble frequency, or a place of interest.

    Attributes
    ----------
    kind : str
        resonance, hum, tone, rumble, mud, boxiness, harshness, air, sibilance or attack.
    frequency_hz : float
        Of the bell or shelf where one would cure it, else of the place.
    q, gain_db : float or None
        Of that bell or shelf; None where none would cure it.
    prominence_db : float
        Against its surroundings; negative where something lacks.
    share : float, 0 to 1
        Of the time in which it is there to be heard.
    confidence : float, 0 to 1
    ratio_db, criterion_db : float or None
        Prominence ratio of a resonance or tone-to-noise ratio of hum and tones by ECMA-418-1, and
        the value from which the standard calls it prominent.
    clear : float or None, 0 to 1
        How far the voice stands clear of the backing there, see `chainkit.scout.mix`.
    note : str or None
        What else is to be known of it.
    """

    kind: str
    frequency_hz: float
    q: float | None
    prominence_db: float
    share: float
    confidence: float
    gain_db: float | None
    ratio_db: float | None = None
    criterion_db: float | None = None
    clear: float | None = None
    note: str | None = None

    @property
    def shape(self) -> str | None:
        """The filter that would cure it: "bell", "high_shelf", or None."""
        if self.gain_db is None or self.q is None:
            return None
        return "high_shelf" if self.kind == "air" else "bell"

    @property
    def weight(self) -> float:
        """What findings are ranked by: how sure, how tall, how clear of the backing."""
        clear = 1.0 if self.clear is None else self.clear
        return self.confidence * abs(self.prominence_db) * clear

    @property
    def hidden(self) -> bool:
        """Whether the backing hides what the source has there."""
        return self.clear is not None and self.clear < HIDDEN

    def as_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return asdict(self) | {"shape": self.shape}


def ranked(findings: list[Finding]) -> list[Finding]:
    """Troubles that are sure first, then places of interest, then hints; each by weight.

    What the backing hides comes behind all that it does not, and what it hides most comes last.
    """

    def order(finding: Finding) -> tuple[float, bool, bool, float]:
        masked = -(finding.clear or 0.0) if finding.hidden else -HIDDEN
        hint = finding.confidence < SURE
        return masked, hint, finding.kind in PLACES, -finding.weight

    return sorted(findings, key=order)


def of_resonance(found: Resonance, spectrum: LongTerm, trust: float = 1.0) -> Finding:
    """Finding of a resonance, its confidence times `trust`."""
    at, sure = found.frequency, found.confidence * trust
    depth = min(DEEPEST, found.gain_db if sure >= SURE else found.gain_db / 2.0)
    finding = Finding(
        "resonance", at, found.q, found.gain_db, found.share, sure, gain_db=-_tenth(depth)
    )
    within = prominence.LOWEST <= at <= prominence.HIGHEST
    powers, spacing = spectrum.powers, spectrum.spacing
    if not within or prominence.neighbours(at)[1] > spacing * len(powers):
        return finding
    ratio = prominence.prominence_ratio(powers, spacing, at)
    if not np.isfinite(ratio):
        return finding
    return replace(finding, ratio_db=ratio, criterion_db=prominence.ratio_criterion(at))


def of_hum(hum: Hum | None) -> Iterator[Finding]:
    """Findings of the steady lines, but those that a cut would not make quieter."""
    for line in () if hum is None else hum.lines:
        finding = _of_line("hum", line, hum.confidence if hum else 0.0)
        if finding.prominence_db >= LEAST_HUM:
            yield finding


def of_tones(tones: Iterable[Line]) -> Iterator[Finding]:
    """Findings of steady tones, as sure as they are there all the time."""
    for line in tones:
        yield _of_line("tone", line, line.share)


def _of_line(kind: str, line: Line, confidence: float) -> Finding:
    """Finding of a line, its height told above the noise in the width of its cut."""
    at = line.frequency
    above = line.level - line.noise
    standing = above - 10.0 * float(np.log10(max(LINE_WIDTH, at / NARROWEST)))
    depth = standing if confidence >= SURE else standing / 2.0
    gain = -_tenth(float(np.clip(depth, 0.0, DEEPEST_LINE_CUT)))
    return Finding(
        kind=kind,
        frequency_hz=at,
        q=line_q(at, gain),
        prominence_db=standing,
        share=line.share,
        confidence=confidence,
        gain_db=gain,
        ratio_db=above - 10.0 * np.log10(prominence.critical_bandwidth(at)),
        criterion_db=prominence.tone_criterion(at),
    )


def line_q(frequency: float, gain: float) -> float:
    """Q of a bell of `gain` dB that takes 3 dB and more only within 4 Hz, as far as Q goes.

    From the cookbook's bell, whose poles lie f / (Q A) apart, A the root of the gain.
    """
    return _tenth(min(NARROWEST, frequency / LINE_WIDTH * 10.0 ** (-gain / 40.0)))


def taken_about(frequency: float, gain: float, q: float) -> tuple[float, float]:
    """Edges in Hz between which a bell of `gain` dB takes 3 dB and more; none if it never does.

    Robert Bristow-Johnson, Audio EQ Cookbook: with x = (f/f0 − f0/f)², the bell's gain squared is
    (x + (A/Q)²) / (x + 1/(AQ)²), one half at x = (1/A² − 2A²) / Q².
    """
    a = 10.0 ** (gain / 40.0)
    half = np.sqrt(max(0.0, 1.0 / a**2 - 2.0 * a**2)) / q / 2.0
    reach = half + np.sqrt(half**2 + 1.0)
    return frequency / reach, frequency * reach


def of_region(region: Region, sounding: float) -> Finding:
    """Finding of a region that stands out: a hint, so half of it is taken away."""
    return Finding(
        kind=region.kind,
        frequency_hz=region.frequency,
        q=_tenth(region.q),
        prominence_db=region.excess,
        share=sounding,
        confidence=region.confidence,
        gain_db=-_tenth(min(DEEPEST_WIDE, region.excess / 2.0)),
    )


def of_air(region: Region, sounding: float, swing: float, falls: float = 0.0) -> Finding:
    """Finding of air that lacks, told at the shelf; nothing is lifted where nothing of it is there.

    Parameters
    ----------
    region : Region
    sounding : float, 0 to 1
        Share of the time.
    swing : float, dB
        How far the level up there moves while the voice sounds, in that half of it in which it
        moves less.
    falls : float, dB
        How far its upper half lies below its lower.
    """
    missing = -region.excess
    noise = missing > NOTHING_LIFTED or swing < NOISE_SWING
    empty = noise or falls > ENDS
    note = NOISE if noise else ENDED
    return Finding(
        kind=region.kind,
        frequency_hz=AIR_SHELF,
        q=None if empty else AIR_Q,
        prominence_db=region.excess,
        share=sounding,
        confidence=region.confidence,
        gain_db=None if empty else _tenth(min(GREATEST_BOOST, missing / 2.0)),
        note=note if empty else None,
    )


def of_rumble(rumble: Rumble | None) -> Iterator[Finding]:
    """Finding of rumble: a high-pass is the cure, not a bell."""
    if rumble is not None:
        thumps = f"{rumble.bursts} thump{'s' if rumble.bursts > 1 else ''}"
        yield Finding(
            kind="rumble",
            frequency_hz=rumble.frequency,
            q=None,
            prominence_db=rumble.prominence,
            share=rumble.share,
            confidence=rumble.confidence,
            gain_db=None,
            note=thumps if rumble.bursts else "steady",
        )


def of_attack(attack: Attack | None) -> Iterator[Finding]:
    """Finding of the band in which onsets stand out, told as what it is: a third octave."""
    if attack is not None:
        middle = nominal(float(np.sqrt(max(attack.low, 25.0) * attack.high)))
        sure = attack.share * attack.onsets / (attack.onsets + 2.0)
        place = f"somewhere from {attack.low:.0f} to {attack.high:.0f} Hz"
        yield Finding(
            "attack", middle, None, attack.prominence, attack.share, sure, None, note=place
        )


def _tenth(value: float) -> float:
    """As a chain file holds it."""
    return round(value, 1)
