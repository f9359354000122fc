"""A starting chain out of what was found: every value explained, nothing final.

Cuts are narrow and boosts wide, the EQ comes ahead of the compressor (common practice, no source).
Wide moves are kept only where they bring the long-term spectrum nearer to its own smooth trend.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from chainkit.dsp import filters
from chainkit.dsp.regions import REGIONS
from chainkit.scout.analyse import Scouting
from chainkit.scout.findings import SURE, Finding
from chainkit.stages.eq import Band, Bell, Highpass, HighShelf

Values = NDArray[np.float64]

MOST_CUTS = 6
DEEPEST = 12.0  # dB, of a cut
GREATEST_BOOST = 4.0  # dB
GREATEST_WIDE_CUT = 4.0  # dB
AIR_SHELF, AIR_Q = 8000.0, 0.7  # Hz: half its gain an octave below the air
WIDEST_Q = 0.8  # of a boost
FILLED = (200.0, 3000.0)  # Hz
WORTH = 0.02  # dB of unevenness that a wide move must take away
UNDER_LOWEST = 0.7  # of the lowest third octave in which the source lives
LOWEST_HIGHPASS, HIGHEST_HIGHPASS = 20.0, 90.0  # Hz

RESONANCE = "Stands {:.1f} dB out, whatever is sung: a cut as narrow and as deep as it is."
HUM = "Mains hum, there in the pauses too: a cut too narrow to be heard."


@dataclass(frozen=True)
class Move:
    """One band of the EQ and why it is there."""

    band: Band
    reason: str


def moves(scouting: Scouting) -> list[Move]:
    """Bands of the EQ, the lowest first."""
    found = [finding for finding in scouting.findings if finding.gain_db is not None]
    narrow = [_cut(finding) for finding in found if finding.kind == "hum"]
    resonances = [f for f in found if f.kind == "resonance" and f.confidence >= SURE]
    narrow += [_cut(finding) for finding in resonances[:MOST_CUTS]]
    chosen = [*_highpass(scouting), *narrow]
    for move in _wide(scouting, found):
        if not _taken(chosen, move) and _evener(scouting, chosen, move):
            chosen.append(move)
    chosen += [_air(finding) for finding in found if finding.kind == "air"]
    fitting = [move for move in chosen if move.band.frequency < 0.45 * scouting.rate]
    return sorted(fitting, key=lambda move: move.band.frequency)


def _cut(finding: Finding) -> Move:
    depth, reason = -(finding.gain_db or 0.0), HUM
    if finding.kind == "resonance":
        depth, reason = min(DEEPEST, depth), RESONANCE.format(finding.prominence_db)
    q = float(np.clip(finding.q or 1.0, 0.5, 40.0))
    band = Bell(frequency=_step(finding.frequency_hz), gain=-round(depth, 1), q=round(q, 1))
    return Move(band, reason)


def _highpass(scouting: Scouting) -> Iterator[Move]:
    corner = lowest(scouting)
    if corner is not None:
        thumps = any(finding.kind == "rumble" for finding in scouting.findings)
        below = "there are thumps" if thumps else "nothing belongs to it"
        reason = f"This source has no energy to speak of down here; below, {below}."
        yield Move(Highpass(frequency=corner, slope=24.0), reason)


def lowest(scouting: Scouting) -> float | None:
    """Corner in Hz of a high-pass that leaves the source as it is; None where there is no room."""
    corner = UNDER_LOWEST * scouting.tilt.lowest
    if corner < LOWEST_HIGHPASS:
        return None
    return 5.0 * round(min(corner, HIGHEST_HIGHPASS) / 5.0)


def _wide(scouting: Scouting, found: Sequence[Finding]) -> Iterator[Move]:
    """Moves over whole regions."""
    for finding in found:
        if finding.kind in REGIONS:
            yield _region(finding)
    yield from _fill(scouting)


def _region(finding: Finding) -> Move:
    depth = min(GREATEST_WIDE_CUT, -(finding.gain_db or 0.0))
    q = max(1.4, finding.q or 1.4)
    band = Bell(frequency=_step(finding.frequency_hz), gain=-round(depth, 1), q=round(q, 1))
    reason = (
        f"{finding.kind.capitalize()}: {finding.prominence_db:.1f} dB above this source's own "
        "tilt; half of it taken away, to be judged by ear."
    )
    return Move(band, reason)


def _fill(scouting: Scouting) -> Iterator[Move]:
    """A wide boost where the spectrum sags most, below the hiss, and a cut where it towers.

    Both are mild; they are what is left to do on a source without faults.
    """
    tilt = scouting.tilt
    inside = (tilt.frequencies > FILLED[0]) & (tilt.frequencies < FILLED[1])
    if not inside.any():
        return
    wide = np.convolve(tilt.departure, np.ones(9) / 9.0, mode="same")
    at = int(np.where(inside, wide, np.inf).argmin())
    boost = float(min(2.0, -wide[at] / 2.0))
    if boost >= 0.5:
        band = Bell(frequency=_step(tilt.frequencies[at]), gain=round(boost, 1), q=WIDEST_Q)
        yield Move(band, "The widest sag in this source's spectrum; a wide, mild lift.")
    at = int(np.where(inside, wide, -np.inf).argmax())
    cut = float(min(2.0, wide[at] / 2.0))
    if cut >= 0.5:
        band = Bell(frequency=_step(tilt.frequencies[at]), gain=-round(cut, 1), q=1.4)
        yield Move(band, "The tallest hump in this source's spectrum; a mild cut.")


def _air(finding: Finding) -> Move:
    boost = min(GREATEST_BOOST, finding.gain_db or 0.0)
    reason = (
        f"Air: {-finding.prominence_db:.1f} dB less than speech has on average. A wide lift; it "
        "lifts the hiss as well, which is what the de-esser is for."
    )
    return Move(HighShelf(frequency=AIR_SHELF, gain=round(boost, 1), q=AIR_Q), reason)


def _taken(chosen: Sequence[Move], move: Move) -> bool:
    """Whether a bell stands within half an octave already."""
    places = [other.band.frequency for other in chosen if isinstance(other.band, Bell)]
    return any(abs(np.log2(place / move.band.frequency)) < 0.5 for place in places)


def _evener(scouting: Scouting, chosen: list[Move], move: Move) -> bool:
    before = scouting.tilt.unevenness(curve(scouting, chosen))
    return scouting.tilt.unevenness(curve(scouting, [*chosen, move])) < before - WORTH


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
    digits = int(np.floor(np.log10(frequency))) - 2
    return float(round(frequency / 10.0**digits) * 10.0**digits)
