"""What of a voice is left in the mix: bands in which the backing hides it, findings that matter.

While the voice sounds, its mean power in each one-third octave is set against that of the backing.
How far it stands clear is the band-audibility step of `chainkit.dsp.audibility`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from chainkit.doubts import Extent
from chainkit.dsp.audibility import IMPORTANCE, NOMINAL, band_audibility
from chainkit.dsp.levels import sounding
from chainkit.scout.findings import HIDDEN, Finding

Powers = NDArray[np.float64]

LEAST = 30.0  # dB below its strongest band, under which a source has nothing in a band
SILENT = -70.0  # dB, full scale 1: the gate of ITU-R BS.1770-5, unweighted


@dataclass(frozen=True)
class HeardBacking:
    """The rest of the mix.

    Attributes
    ----------
    path : Path
    extent : Extent
    silent : bool
        Where the voice sounds.
    """

    path: Path
    extent: Extent
    silent: bool

    def as_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {"file": str(self.path), "seconds": self.extent.seconds, "silent": self.silent}


@dataclass(frozen=True)
class MixBand:
    """One band of the voice in the mix.

    Attributes
    ----------
    frequency_hz : float
        Nominal mid-band of the one-third octave.
    against_backing_db : float
        Voice against backing.
    clear : float, 0 to 1
    importance : float
        Of the band for speech, ANSI S3.5-1997, Table 3.
    lived_in : bool
        Whether the voice has something there that could be hidden: within 30 dB of its strongest
        band (common practice, no source).
    """

    frequency_hz: float
    against_backing_db: float
    clear: float
    importance: float
    lived_in: bool


def mix_bands(voice: Powers, backing: Powers) -> list[MixBand]:
    """The voice against its backing, band by band.

    Parameters
    ----------
    voice, backing : ndarray, (windows, 18)
        A shorter backing goes on as silence.
    """
    sung, played = _while_sounding(voice, backing)
    difference = 10.0 * np.log10(np.maximum(sung, 1e-20) / np.maximum(played, 1e-20))
    clear = band_audibility(difference)
    lived_in = sung > sung.max(initial=0.0) / 10.0 ** (LEAST / 10.0)
    columns = (NOMINAL, difference, clear, IMPORTANCE)
    rows = zip(*(column.tolist() for column in columns), lived_in.tolist(), strict=True)
    return [MixBand(*row) for row in rows]


def is_silent(voice: Powers, backing: Powers) -> bool:
    """Whether the backing is below −70 dB while the voice sounds."""
    _, played = _while_sounding(voice, backing)
    return bool(played.sum() < 10.0 ** (SILENT / 10.0))


def _while_sounding(voice: Powers, backing: Powers) -> tuple[Powers, Powers]:
    """Mean power of both in each band over the windows in which the voice sounds."""
    under = np.zeros_like(voice)
    under[: len(backing)] = backing[: len(voice)]
    sounds = sounding(voice.sum(axis=1))
    count = max(1, np.count_nonzero(sounds))
    return voice[sounds].sum(axis=0) / count, under[sounds].sum(axis=0) / count


def hidden(bands: list[MixBand]) -> list[MixBand]:
    """Those in which the backing hides what the voice has there."""
    return [band for band in bands if band.lived_in and band.clear < HIDDEN]


def placed(finding: Finding, bands: list[MixBand]) -> Finding:
    """`finding` with how clear it stands; beyond the bands the nearest one speaks for it.

    Nothing is lifted where the backing hides it: that makes both louder, not the source clearer.
    """
    distance = np.abs(np.log(NOMINAL / finding.frequency_hz))
    clear = replace(finding, clear=bands[int(distance.argmin())].clear)
    if clear.hidden and (clear.gain_db or 0.0) > 0.0:
        return replace(clear, q=None, gain_db=None, note="the backing hides what it would lift")
    return clear
