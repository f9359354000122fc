"""The job: hears a file, gathers what was found, ranks it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from chainkit.audio.reader import AudioReader, Progress
from chainkit.dsp import filters, sibilance_edge
from chainkit.dsp.attack import Attack
from chainkit.dsp.audibility import third_octave_powers
from chainkit.dsp.cascade import Cascade
from chainkit.dsp.hum import HIGHEST
from chainkit.dsp.longterm import LongTerm
from chainkit.dsp.meter import Measurement
from chainkit.dsp.regions import AIR, Region, Tilt, find_regions
from chainkit.dsp.resonance import Resonance, find_resonances
from chainkit.scout import findings as made
from chainkit.scout.findings import SURE, Finding, ranked
from chainkit.scout.hearing import Heard, hear
from chainkit.scout.mix import HeardBacking, MixBand, hidden, is_silent, mix_bands, placed

Values = NDArray[np.float64]

VOICE, LOUDEST_HISS = 3.0, 3.0  # sibilants a minute, dB against the rest, that make a voice
# Of the onsets, those that die away at once, and below which share of them sibilants are none but
# strokes of their own: chosen on made sounds.
STRUCK, FEW_HISSES = 0.8, 0.5
SHORTEST = 0.4  # seconds, the gating block of ITU-R BS.1770-5: less has no loudness
# Of the energy, what may be a source's own lowest notes (20 dB below all of it, as the low end of a
# spectrum ends); how far a drone is believed then.
OWN, OWN_TRUST = 0.01, 0.4
FAINTEST, RAISED = -90.0, -6.0  # dBFS of a peak: the last of 16 bits; where it may well be
FEW, ENOUGH = 6.0, 9.0  # different partials: that tell nothing of a place, that tell all
CLIPPED_OFTEN, CLIPPED_TRUST = 20.0, 0.49  # times a minute; how far a resonance is believed then
# Hz, in which a window shows one partial; share of the windows that go on with one, 0.44 to 0.72 in
# plucked and bowed notes, up to 0.34 in voices and noise; how far a resonance is believed then.
PARTIAL_WIDTH, HELD, PARTIAL_TRUST = 60.0, 0.4, 0.49
SAME = 2.0**0.25  # factor of frequency within which a region is a sure resonance's own hump
NEAR, AROUND = 1.05, 1.2  # factors about a resonance, about a region, within which they are counted
NOTHING = 1e-10  # of the strongest power, in steps of 4 Hz: 100 dB below it
AIR_HALF = 12500.0  # Hz; a source may end inside the air, with noise above
SETTLED = 0.5  # seconds, in which a notch 4 Hz wide has come to 54 dB
THIRD = 2.0 ** (1.0 / 3.0)


@dataclass(frozen=True, eq=False)
class Scouting:
    """What was found in one source.

    Attributes
    ----------
    path : Path
    rate : int, Hz
    findings : tuple of Finding
        Those that can be acted upon first.
    own_partials : tuple of Finding
        What stands out, but no more than the source's own few notes do.
    sibilance_edge_hz : float or None
    mains_hz : int or None
    backing : HeardBacking or None
    bands : tuple of MixBand or None
        The voice against the backing; None without one.
    tilt : Tilt
        Spectrum and trend.
    heard : Heard
    """

    path: Path
    rate: int
    findings: tuple[Finding, ...]
    own_partials: tuple[Finding, ...]
    sibilance_edge_hz: float | None
    mains_hz: int | None
    backing: HeardBacking | None
    bands: tuple[MixBand, ...] | None
    tilt: Tilt
    heard: Heard

    @property
    def silent(self) -> bool:
        """Whether there was nothing to hear."""
        return self.heard.measurement.integrated_lufs is None

    @property
    def unheard(self) -> str | None:
        """Why there was nothing to hear, as in "… is silent"."""
        if not self.silent:
            return None
        seconds, peak = self.heard.measurement.seconds, self.heard.measurement.sample_peak_dbfs
        if seconds < SHORTEST:
            length = f"{seconds:.2g} s" if seconds >= 0.01 else "less than 0.01 s"
            return f"is too short: {length}, at least {SHORTEST:g} s are needed"
        if peak is None or peak < FAINTEST:
            return "is silent"
        soft = f"is too soft: its peak is {peak:.1f} dBFS, its loudness below -70 LUFS"
        return f"{soft}; a gain of {RAISED - peak:.0f} dB would do"

    @property
    def is_voice(self) -> bool:
        """Whether it has sibilants as a voice has."""
        return is_voice(self.heard)

    def as_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        whole = None if self.bands is None else list(self.bands)
        return {
            "file": str(self.path),
            "findings": [finding.as_dict() for finding in self.findings],
            "own_partials": [finding.as_dict() for finding in self.own_partials],
            "sibilance_edge_hz": self.sibilance_edge_hz,
            "mains_hz": self.mains_hz,
            "unevenness_db": self.tilt.unevenness(),
            "backing": None if self.backing is None else self.backing.as_dict(),
            "bands": None if whole is None else [asdict(band) for band in whole],
            "hidden_bands": None if whole is None else [asdict(band) for band in hidden(whole)],
        }


def scout_file(
    voice: str | Path, backing: str | Path | None = None, progress: Progress | None = None
) -> Scouting:
    """Look for trouble frequencies in a file.

    Parameters
    ----------
    voice : str or Path
        Any source, of any number of channels.
    backing : str or Path, optional
        The rest of the mix, beginning at the same instant, at any sample rate.
    progress : callable, optional
        Called with the number of frames heard since the last call; the voice is heard twice.

    Returns
    -------
    Scouting

    Raises
    ------
    AudioFileError
        A file cannot be read.
    """
    reader = AudioReader(voice)
    heard = _told_apart(hear(reader, progress))
    under, bands = _mixed(heard, AudioReader(backing), progress) if backing else (None, None)
    reach = heard.rumble.reach if heard.rumble else 0.0
    tilt = Tilt(heard.measurement.spectrum, reach)
    silent = heard.measurement.integrated_lufs is None
    found, partials = ([], []) if silent else _found(heard, tilt, reader.rate)
    if bands is not None:
        found = [placed(finding, bands) for finding in found]
    return Scouting(
        path=Path(voice),
        rate=reader.rate,
        findings=tuple(ranked(found)),
        own_partials=tuple(ranked(partials)),
        sibilance_edge_hz=sibilance_edge.edge(heard.hisses) if is_voice(heard) else None,
        mains_hz=heard.hum.mains if heard.hum else None,
        backing=under,
        bands=None if bands is None else tuple(bands),
        tilt=tilt,
        heard=heard,
    )


def _told_apart(heard: Heard) -> Heard:
    """What was heard, without a rumble that may be the source's own.

    What thumps in a source that is struck is the source. What drones below one that is no voice may
    be its lowest notes, where it holds a good part of the energy: that is a hint, and stays.
    """
    rumble = heard.rumble
    if rumble is None or is_voice(heard):
        return heard
    if rumble.bursts:
        return heard if heard.attack is None else replace(heard, rumble=None)
    if rumble.part < OWN:
        return heard
    confidence = min(rumble.confidence, OWN_TRUST)
    return replace(heard, rumble=replace(rumble, confidence=confidence, reach=0.0))


def _mixed(
    heard: Heard, backing: AudioReader, progress: Progress | None
) -> tuple[HeardBacking, list[MixBand]]:
    powers = third_octave_powers(backing.blocks(progress=progress), backing.rate)
    seconds = backing.frames / backing.rate
    under = HeardBacking(backing.path, seconds, is_silent(heard.bands, powers))
    return under, mix_bands(heard.bands, powers)


def is_voice(heard: Heard) -> bool:
    """Whether there are sibilants as a voice has them.

    A plectrum or a stick hisses too: of what is struck or plucked, only the odd stroke.
    """
    measured, attack = heard.measurement, heard.attack
    level, strokes = measured.sibilants_median_db, attack.onsets if attack else 0
    if attack and attack.struck > STRUCK and len(measured.sibilants) < FEW_HISSES * strokes:
        return False
    return measured.sibilants_a_minute >= VOICE and level is not None and level < LOUDEST_HISS


def _found(heard: Heard, tilt: Tilt, rate: int) -> tuple[list[Finding], list[Finding]]:
    """Findings, and what is the source's own partials."""
    measured, speech = heard.measurement, is_voice(heard)
    spectrum = LongTerm(heard.excerpt, rate)
    excerpt = _without_hum(heard, rate)
    rest = spectrum if excerpt is heard.excerpt else LongTerm(excerpt, rate)
    found = [*made.of_hum(heard.hum)]
    found += _sibilance(heard) if speech else made.of_attack(heard.attack)
    found += made.of_rumble(heard.rumble)
    partials: list[Finding] = []
    believed = CLIPPED_TRUST if _is_clipped(measured) else 1.0
    for resonance in find_resonances(excerpt, rate):
        if _is_there(resonance, rest):
            trust = believed * _trust(rest, resonance.frequency, NEAR)
            if not speech and _may_be_partial(resonance, rest):
                trust = min(trust, PARTIAL_TRUST)
            finding = made.of_resonance(resonance, rest, trust)
            (found if trust > 0.0 else partials).append(finding)
    for region in find_regions(tilt, speech=speech):
        if region.kind == "air":
            swing = min(spectrum.swing(AIR[0], AIR_HALF), spectrum.swing(AIR_HALF, AIR[1]))
            found.append(made.of_air(region, measured.sounding_share, swing))
        elif not _is_told(region, found) and (
            speech or not is_attack(region.frequency, heard.attack)
        ):
            trust = _trust(spectrum, region.frequency, AROUND)
            finding = made.of_region(region, measured.sounding_share)
            (found if trust > 0.0 else partials).append(finding)
    return found, partials


def _without_hum(heard: Heard, rate: int) -> Values:
    """The excerpt, notched at each multiple of the mains, told or not, where there is hum.

    A line looks like a bell as wide as the window it is seen in, up to 40 Hz; of what else sounds
    there only 4 Hz are lost. Where the notches begin they let the hum through for a moment, which
    is left out.
    """
    if heard.hum is None:
        return heard.excerpt
    mains, line = heard.hum.mains, heard.hum.lines[-1].frequency
    multiples = line / round(line / mains) * np.arange(1, int(HIGHEST) // mains + 2)
    notches = [filters.notch(rate, at, at / made.HUM_WIDTH) for at in multiples]
    return Cascade(np.concatenate(notches), 1).process(heard.excerpt[:, None])[
        round(SETTLED * rate) :, 0
    ]


def _is_clipped(measured: Measurement) -> bool:
    """Whether clipping is so frequent that its distortion stands out of the spectrum, too."""
    return measured.clipped_runs * 60.0 > CLIPPED_OFTEN * measured.seconds


def _is_told(region: Region, found: list[Finding]) -> bool:
    """Whether a sure resonance makes the hump."""
    sure = [f for f in found if f.kind == "resonance" and f.confidence >= SURE]
    return any(1.0 / SAME < region.frequency / f.frequency_hz < SAME for f in sure)


def _trust(spectrum: LongTerm, frequency: float, reach: float) -> float:
    """How far a place is one where different partials have passed, 0 to 1."""
    partials = spectrum.partials(frequency, reach)
    return float(np.clip((partials - FEW) / (ENOUGH - FEW), 0.0, 1.0))


def _may_be_partial(found: Resonance, spectrum: LongTerm) -> bool:
    """Whether a resonance is no wider than one partial, where notes are held."""
    narrow = found.frequency / found.q < PARTIAL_WIDTH
    return narrow and spectrum.held(found.frequency, NEAR) > HELD


def _is_there(found: Resonance, spectrum: LongTerm) -> bool:
    """Whether there is more in the width of a resonance than what a window spreads."""
    half = found.frequency / found.q / 2.0
    low, high = (round((found.frequency + side * half) / spectrum.spacing) for side in (-1.0, 1.0))
    band = spectrum.powers[max(0, low) : high + 1]
    return bool(band.max(initial=0.0) > NOTHING * spectrum.powers.max(initial=0.0))


def is_attack(frequency: float, attack: Attack | None) -> bool:
    """Whether what stands out is what strikes."""
    return attack is not None and attack.low / THIRD < frequency < attack.high * THIRD


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
