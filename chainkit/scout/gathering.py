"""Findings out of what was heard; apart from them, what is no more than the source's own notes."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from chainkit.dsp import filters, sibilance_edge
from chainkit.dsp.cascade import Cascade
from chainkit.dsp.hum import HIGHEST
from chainkit.dsp.levels import power_to_db
from chainkit.dsp.longterm import LongTerm
from chainkit.dsp.regions import AIR, Region, Tilt, find_regions
from chainkit.dsp.ringing.resonance import EXCITED, Resonance, find_resonances
from chainkit.scout import findings as made
from chainkit.scout.findings import SURE, Finding
from chainkit.scout.hearing import Heard
from chainkit.scout.source import is_attack, is_clipped, is_voice

Values = NDArray[np.float64]
Trusted = tuple[Finding, float]
"""A finding, and how far its place is one where different partials have passed, 0 to 1."""

FEW, ENOUGH = 6.0, 9.0  # different partials: that tell nothing of a place, that tell all
CLIPPED_TRUST = 0.49  # how far a resonance is believed where distortion stands out, too: a hint
# Where notes are held, a resonance as narrow as a window shows one partial is a hint. The share is
# that of the windows that go on with one partial: 0.44 to 0.72 in plucked and bowed notes, up to
# 0.34 in voices and noise.
PARTIAL_WIDTH, HELD, PARTIAL_TRUST = 60.0, 0.4, 0.49  # Hz; share; how far it is believed
PASSES, PASSED_TRUST = 2, 0.49  # times that tell no more than a hint; how far it is believed
SAME = 2.0**0.25  # factor of frequency within which a region is a sure resonance's own hump
NEAR, AROUND = 1.05, 1.2  # factors about a resonance, about a region, within which they are counted
NOTHING = 1e-10  # of the strongest power, in steps of 4 Hz: 100 dB below it
AIR_HALF = 12500.0  # Hz; a source may end inside the air, with noise above
SETTLED = 0.5  # seconds, in which a notch 4 Hz wide has come to 54 dB


def gather(heard: Heard, tilt: Tilt, rate: int) -> tuple[list[Finding], list[Finding]]:
    """Findings, and what is the source's own partials.

    Parameters
    ----------
    heard : Heard
    tilt : Tilt
        Of its spectrum.
    rate : int, Hz

    Returns
    -------
    tuple of (list of Finding, list of Finding)
    """
    speech = is_voice(heard)
    spectrum = heard.long_term
    found = [*made.of_hum(heard.hum), *made.of_tones(heard.tones)]
    found += _sibilance(heard) if speech else made.of_attack(heard.attack)
    found += made.of_rumble(heard.rumble)
    resonances = list(_resonances(heard, spectrum, rate))
    told = [one for one, trust in resonances if trust > 0.0 and one.confidence >= SURE]
    regions = _regions(heard, spectrum, tilt, told)
    partials: list[Finding] = []
    for finding, trust in (*resonances, *regions):
        (found if trust > 0.0 else partials).append(finding)
    return found, partials


def _resonances(heard: Heard, spectrum: LongTerm, rate: int) -> Iterator[Trusted]:
    excerpt = without_hum(heard, rate)
    rest = spectrum if excerpt is heard.excerpt else LongTerm(excerpt, rate)
    believed = CLIPPED_TRUST if is_clipped(heard.measurement) else 1.0
    speech = is_voice(heard)
    for resonance in find_resonances(excerpt, rate):
        if _is_there(resonance, rest):
            trust = believed * _trust(rest, resonance.frequency, NEAR)
            if not speech and _may_be_partial(resonance, rest):
                trust = min(trust, PARTIAL_TRUST)
            if _is_passed(resonance, rest):
                trust = min(trust, PASSED_TRUST)
            yield made.of_resonance(resonance, rest, trust), trust


def _regions(
    heard: Heard, spectrum: LongTerm, tilt: Tilt, resonances: list[Finding]
) -> Iterator[Trusted]:
    """Regions but for those that the sure `resonances` tell, or what strikes."""
    speech, sounding = is_voice(heard), heard.measurement.sounding_share
    for region in find_regions(tilt, speech=speech):
        if region.kind == "air":
            swing = min(spectrum.swing(AIR[0], AIR_HALF), spectrum.swing(AIR_HALF, AIR[1]))
            halves = (spectrum.power(AIR[0], AIR_HALF), spectrum.power(AIR_HALF, AIR[1]))
            falls = float(-np.diff(power_to_db(np.maximum(halves, 1e-30)))[0])
            yield made.of_air(region, sounding, swing, falls), 1.0
        elif not _is_told(region, resonances) and (
            speech or not is_attack(region.frequency, heard.attack)
        ):
            trust = _trust(spectrum, region.frequency, AROUND)
            yield made.of_region(region, sounding), trust


def without_hum(heard: Heard, rate: int) -> Values:
    """The excerpt, notched at each multiple of the mains, told or not, where there is hum.

    A line looks like a bell as wide as the window it is seen in, up to 40 Hz; of what else sounds
    there only 4 Hz are lost. Where the notches begin they let the hum through for a moment, which
    is left out.
    """
    if heard.hum is None:
        return heard.excerpt
    mains, line = heard.hum.mains, heard.hum.lines[-1].frequency
    multiples = line / round(line / mains) * np.arange(1, int(HIGHEST) // mains + 2)
    notches = [filters.notch(rate, at, at / made.LINE_WIDTH) for at in multiples]
    return Cascade(np.concatenate(notches), 1).process(heard.excerpt[:, None])[
        round(SETTLED * rate) :, 0
    ]


def _is_told(region: Region, resonances: list[Finding]) -> bool:
    """Whether one of the sure resonances makes the hump."""
    return any(1.0 / SAME < region.frequency / one.frequency_hz < SAME for one in resonances)


def _trust(spectrum: LongTerm, frequency: float, reach: float) -> float:
    """How far a place is one where different partials have passed, 0 to 1."""
    partials = spectrum.partials(frequency, reach)
    return float(np.clip((partials - FEW) / (ENOUGH - FEW), 0.0, 1.0))


def _may_be_partial(found: Resonance, spectrum: LongTerm) -> bool:
    """Whether a resonance is no wider than one partial, where notes are held."""
    narrow = found.frequency / found.q < PARTIAL_WIDTH
    return narrow and spectrum.held(found.frequency, NEAR) > HELD


def _is_passed(found: Resonance, spectrum: LongTerm) -> bool:
    """Whether what sounds passes the place of a resonance once or twice, as a chirp does."""
    half = found.frequency / found.q / 2.0
    band = found.frequency - half, found.frequency + half
    return found.share < made.OFTEN and spectrum.times(*band, EXCITED) <= PASSES


def _is_there(found: Resonance, spectrum: LongTerm) -> bool:
    """Whether there is more in the width of a resonance than what a window spreads."""
    half = found.frequency / found.q / 2.0
    low, high = (round((found.frequency + side * half) / spectrum.spacing) for side in (-1.0, 1.0))
    band = spectrum.powers[max(0, low) : high + 1]
    return bool(band.max(initial=0.0) > NOTHING * spectrum.powers.max(initial=0.0))


def _sibilance(heard: Heard) -> Iterator[Finding]:
    edge, measured = sibilance_edge.edge(heard.hisses), heard.measurement
    if edge is None or measured.sibilants_median_db is None:
        return
    sounding = sum(event.end - event.start for event in measured.sibilants)
    count = len(heard.hisses)
    yield Finding(
        kind="sibilance",
        frequency_hz=edge,
        q=None,
        prominence_db=measured.sibilants_median_db,
        share=sounding / measured.seconds,
        confidence=count / (count + 2.0),
        gain_db=None,
    )
