"""One kind of record for everything the scout finds."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np

from chainkit.dsp import prominence
from chainkit.dsp.attack import Attack
from chainkit.dsp.hum import Hum, Line
from chainkit.dsp.regions import RUMBLE_HZ, Region, Rumble
from chainkit.dsp.resonance import Resonance

HUM_Q = 30.0  # 1.7 Hz wide at 50 Hz: what is sung beside it stays
DEEPEST_HUM_CUT = 24.0  # dB; deeper cuts ring on and are not heard to be deeper
SURE = 0.5
"""Confidence from which a finding is acted upon."""

PLACES = ("sibilance", "attack")
"""Kinds that are no trouble in themselves."""


@dataclass(frozen=True)
class Finding:
    """A trouble frequency, or a place of interest.

    Attributes
    ----------
    kind : str
        resonance, hum, rumble, mud, boxiness, harshness, air, sibilance or attack.
    frequency_hz : float
    q : float or None
        Width as that of a bell; None where no bell stands for it.
    prominence_db : float
        Against its surroundings; negative where something lacks.
    share : float, 0 to 1
        Of the time in which it is there to be heard.
    confidence : float, 0 to 1
    gain_db : float or None
        Of the bell (for air: of the shelf) that would bring it level; None where that is no cure.
    ratio_db, criterion_db : float or None
        Prominence ratio of a resonance or tone-to-noise ratio of hum by ECMA-418-1, and the value
        from which the standard calls it prominent.
    clear : float or None, 0 to 1
        How far the voice stands clear of the backing there, see `chainkit.scout.mix`.
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

    @property
    def weight(self) -> float:
        """What findings are ranked by: how sure, how tall, how clear of the backing."""
        clear = 1.0 if self.clear is None else self.clear
        return self.confidence * abs(self.prominence_db) * clear

    def as_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return asdict(self)


def ranked(findings: list[Finding]) -> list[Finding]:
    """Troubles that are sure first, then places of interest, then hints; each by weight."""

    def order(finding: Finding) -> tuple[bool, bool, float]:
        return finding.confidence < SURE, finding.kind in PLACES, -finding.weight

    return sorted(findings, key=order)


def of_resonance(found: Resonance, powers: np.ndarray, spacing: float) -> Finding:
    """Finding of a resonance; `powers` is the long-term spectrum in steps of `spacing` Hz."""
    at = found.frequency
    finding = Finding(
        "resonance", at, found.q, found.gain_db, found.share, found.confidence, -found.gain_db
    )
    within = prominence.LOWEST <= at <= prominence.HIGHEST
    if not within or prominence.neighbours(at)[1] > spacing * len(powers):
        return finding
    ratio = prominence.prominence_ratio(powers, spacing, at)
    if not np.isfinite(ratio):
        return finding
    return replace(finding, ratio_db=ratio, criterion_db=prominence.ratio_criterion(at))


def of_hum(hum: Hum | None) -> Iterator[Finding]:
    """Findings of the steady lines."""
    for line in () if hum is None else hum.lines:
        yield _of_line(line, hum.confidence if hum else 0.0)


def _of_line(line: Line, confidence: float) -> Finding:
    at = line.frequency
    above = line.level - line.noise
    standing = above - 10.0 * np.log10(at / HUM_Q)
    return Finding(
        kind="hum",
        frequency_hz=at,
        q=HUM_Q,
        prominence_db=standing,
        share=line.share,
        confidence=confidence,
        gain_db=-float(np.clip(standing, 0.0, DEEPEST_HUM_CUT)),
        ratio_db=above - 10.0 * np.log10(prominence.critical_bandwidth(at)),
        criterion_db=prominence.tone_criterion(at),
    )


def of_region(region: Region, sounding: float) -> Finding:
    """Finding of a region: half of what stands out is taken away, half of what lacks is added."""
    return Finding(
        kind=region.kind,
        frequency_hz=region.frequency,
        q=region.q,
        prominence_db=region.excess,
        share=sounding,
        confidence=region.confidence,
        gain_db=-region.excess / 2.0,
    )


def of_rumble(rumble: Rumble | None) -> Iterator[Finding]:
    """Finding of thumps: a high-pass is the cure, not a bell."""
    if rumble is not None:
        sure = rumble.bursts / (rumble.bursts + 3.0)
        yield Finding("rumble", RUMBLE_HZ, None, rumble.prominence, rumble.share, sure, None)


def of_attack(attack: Attack | None) -> Iterator[Finding]:
    """Finding of the band in which onsets stand out."""
    if attack is not None:
        middle = float(np.sqrt(max(attack.low, 25.0) * attack.high))
        sure = attack.share * attack.onsets / (attack.onsets + 2.0)
        yield Finding("attack", middle, None, attack.prominence, attack.share, sure, None)
