"""The job: hears a file, gathers what was found, ranks it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from chainkit.audio.reader import AudioReader
from chainkit.dsp import sibilance_edge
from chainkit.dsp.regions import Tilt, find_regions
from chainkit.dsp.resonance import find_resonances
from chainkit.scout import findings as made
from chainkit.scout.findings import Finding, ranked
from chainkit.scout.hearing import Heard, Progress, band_powers, hear
from chainkit.scout.mix import Backing, MixBand, hidden, is_silent, mix_bands, placed

SPACING = 4.0  # Hz, of the long-term spectrum in which prominence is judged
VOICE, LOUDEST_HISS = 3.0, 3.0  # sibilants a minute, dB against the rest, that make a voice
SHORTEST = 0.4  # seconds, the gating block of ITU-R BS.1770-5: less has no loudness


@dataclass(frozen=True, eq=False)
class Scouting:
    """What was found in one source.

    Attributes
    ----------
    path : Path
    rate : int, Hz
    findings : tuple of Finding
        Those that can be acted upon first.
    sibilance_edge_hz : float or None
    mains_hz : int or None
    backing : Backing or None
    bands : tuple of MixBand or None
        The voice against the backing; None without one.
    tilt : Tilt
        Spectrum and trend.
    heard : Heard
    """

    path: Path
    rate: int
    findings: tuple[Finding, ...]
    sibilance_edge_hz: float | None
    mains_hz: int | None
    backing: Backing | None
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
        seconds = self.heard.measurement.seconds
        length = f"{seconds:.2g} s" if seconds >= 0.01 else "less than 0.01 s"
        short = f"is too short: {length}, at least {SHORTEST:g} s are needed"
        return (short if seconds < SHORTEST else "is silent") if self.silent else None

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
        Told how many frames have been heard since it was last called; the voice is heard twice.

    Raises
    ------
    AudioFileError
        A file cannot be read.
    """
    reader = AudioReader(voice)
    heard = hear(reader, progress)
    found = [] if heard.measurement.integrated_lufs is None else list(_found(heard, reader.rate))
    under, bands = _mixed(heard, AudioReader(backing), progress) if backing else (None, None)
    if bands is not None:
        found = [placed(finding, bands) for finding in found]
    return Scouting(
        path=Path(voice),
        rate=reader.rate,
        findings=tuple(ranked(found)),
        sibilance_edge_hz=sibilance_edge.edge(heard.hisses) if is_voice(heard) else None,
        mains_hz=heard.hum.mains if heard.hum else None,
        backing=under,
        bands=None if bands is None else tuple(bands),
        tilt=Tilt(heard.measurement.spectrum),
        heard=heard,
    )


def _mixed(
    heard: Heard, backing: AudioReader, progress: Progress | None
) -> tuple[Backing, list[MixBand]]:
    powers = band_powers(backing, progress)
    seconds = backing.frames / backing.rate
    under = Backing(backing.path, seconds, is_silent(heard.bands, powers))
    return under, mix_bands(heard.bands, powers)


def is_voice(heard: Heard) -> bool:
    """Whether there are sibilants as a voice has them."""
    measured = heard.measurement
    level = measured.sibilants_median_db
    return measured.sibilants_a_minute >= VOICE and level is not None and level < LOUDEST_HISS


def _found(heard: Heard, rate: int) -> Iterator[Finding]:
    measured = heard.measurement
    speech = is_voice(heard)
    powers = long_term(heard.excerpt, rate)
    for resonance in find_resonances(heard.excerpt, rate):
        yield made.of_resonance(resonance, powers, rate / (2.0 * (len(powers) - 1)))
    yield from made.of_hum(heard.hum)
    yield from made.of_rumble(heard.rumble)
    for region in find_regions(measured.spectrum, speech=speech):
        yield made.of_region(region, measured.sounding_share)
    yield from _sibilance(heard) if speech else made.of_attack(heard.attack)


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


def long_term(x: NDArray[np.float64], rate: int, spacing: float = SPACING) -> NDArray[np.float64]:
    """Mean power in each bin of Hann windows of 1 / `spacing` seconds, (bins,)."""
    size = 2 * round(rate / spacing / 2.0)
    window = np.hanning(size + 1)[:-1]
    padded = np.pad(x, (0, max(0, size - len(x))))
    starts = range(0, len(padded) - size + 1, size // 2)
    powers = np.zeros(size // 2 + 1)
    for start in starts:
        powers += np.abs(np.fft.rfft(padded[start : start + size] * window)) ** 2
    return powers / len(starts)
