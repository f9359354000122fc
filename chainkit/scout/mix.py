"""What of a voice is left in the mix: bands in which the backing hides it, findings that matter.

While the voice sounds, its mean power in each one-third octave is set against that of the backing.
How far it stands clear is the band-audibility step of ANSI S3.5-1997, K = (difference + 15) / 30
within 0 and 1; that one step, not a speech intelligibility index.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from chainkit.dsp.audibility import IMPORTANCE, NOMINAL
from chainkit.scout.findings import Finding

Powers = NDArray[np.float64]

HIDDEN = 0.3  # clear share below which a band counts as hidden: 6 dB below the backing
SOUNDING = 0.01  # of the mean power, above which the voice sounds


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
    """

    frequency_hz: float
    against_backing_db: float
    clear: float
    importance: float


def mix_bands(voice: Powers, backing: Powers) -> list[MixBand]:
    """The voice against its backing, band by band.

    Parameters
    ----------
    voice, backing : ndarray, (windows, 18)
        A shorter backing goes on as silence.
    """
    under = np.zeros_like(voice)
    under[: len(backing)] = backing[: len(voice)]
    total = voice.sum(axis=1)
    sounds = total > SOUNDING * total.mean() if len(total) else np.zeros(0, dtype=bool)
    sung, played = voice[sounds].sum(axis=0), under[sounds].sum(axis=0)
    difference = 10.0 * np.log10(np.maximum(sung, 1e-20) / np.maximum(played, 1e-20))
    clear = np.clip((difference + 15.0) / 30.0, 0.0, 1.0)
    rows = zip(NOMINAL, difference, clear, IMPORTANCE, strict=True)
    return [MixBand(*map(float, row)) for row in rows]


def hidden(bands: list[MixBand]) -> list[MixBand]:
    """Those in which the backing hides the voice."""
    return [band for band in bands if band.clear < HIDDEN]


def placed(finding: Finding, bands: list[MixBand]) -> Finding:
    """`finding` with how clear it stands; beyond the bands the nearest one speaks for it."""
    distance = np.abs(np.log(NOMINAL / finding.frequency_hz))
    return replace(finding, clear=bands[int(distance.argmin())].clear)
