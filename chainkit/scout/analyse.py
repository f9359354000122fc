"""The job: hears a file, gathers what was found, ranks it."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from chainkit.audio.reader import AudioReader, Progress
from chainkit.dsp import sibilance_edge
from chainkit.dsp.audibility import third_octave_powers
from chainkit.dsp.loudness import SHORTEST, gating_block
from chainkit.dsp.regions import Tilt
from chainkit.scout.findings import Finding, ranked
from chainkit.scout.gathering import gather
from chainkit.scout.hearing import Heard, hear
from chainkit.scout.mix import HeardBacking, MixBand, hidden, is_silent, mix_bands, placed
from chainkit.scout.source import is_voice, without_own_rumble

FAINTEST, RAISED = -90.0, -6.0  # dBFS of a peak: the last of 16 bits; where it may well be


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
        return _is_unheard(self.heard)

    @property
    def unheard(self) -> str | None:
        """Why there was nothing to hear, as in "… is silent"."""
        if not self.silent:
            return None
        seconds, peak = self.heard.measurement.seconds, self.heard.measurement.sample_peak_dbfs
        if round(seconds * self.rate) < gating_block(self.rate):
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
    heard = without_own_rumble(hear(reader, progress))
    under, bands = _mixed(heard, AudioReader(backing), progress) if backing else (None, None)
    reach = heard.rumble.reach if heard.rumble else 0.0
    tilt = Tilt(heard.measurement.spectrum, reach)
    found, partials = ([], []) if _is_unheard(heard) else gather(heard, tilt, reader.rate)
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


def _is_unheard(heard: Heard) -> bool:
    """Whether no channel has a loudness to work with."""
    return heard.measurement.loudest_channel_lufs is None


def _mixed(
    heard: Heard, backing: AudioReader, progress: Progress | None
) -> tuple[HeardBacking, list[MixBand]]:
    powers = third_octave_powers(backing.blocks(progress=progress), backing.rate)
    under = HeardBacking(backing.path, backing.extent, is_silent(heard.bands, powers))
    return under, mix_bands(heard.bands, powers)
