"""What is compared, and what came of it: a request, its candidates as they are heard, figures."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from chainkit.audio.reader import AudioReader
from chainkit.chain.stream import Audio, Prepared
from chainkit.compare.candidates import Candidate
from chainkit.compare.interplay import Effect
from chainkit.compare.mixing import FittedBacking
from chainkit.dsp.audibility import HOP
from chainkit.dsp.levels import difference
from chainkit.dsp.meter import Measurement
from chainkit.rendering import Result

SHORT = 0.1
"""LU by which a squeeze may end below its target untold: its search stops at half of that."""


@dataclass(frozen=True)
class Request:
    """What to compare and how.

    Parameters
    ----------
    voice : str
    candidates : tuple of Candidate
    backing : FittedBacking or None
    voice_level : float or None, LU
        Loudness of the voice against the backing; as in the files if None.
    squeeze : float or None, LUFS
        Loudness to which the stand-in for mastering drives each candidate.
    jobs : int or None
        Candidates worked on at a time; as many as there are cores if None.
    """

    voice: str
    candidates: tuple[Candidate, ...]
    backing: FittedBacking | None = None
    voice_level: float | None = None
    squeeze: float | None = None
    jobs: int | None = None


@dataclass(frozen=True)
class View:
    """One candidate as it is heard: alone, in the mix, squeezed.

    Parameters
    ----------
    path : Path
    gain : float, dB
        What matched it.
    loudness : float or None, LUFS
    true_peak : float or None, dBTP
    """

    path: Path
    gain: float
    loudness: float | None
    true_peak: float | None


@dataclass
class Outcome:
    """One candidate, treated.

    Attributes
    ----------
    candidate : Candidate
    result : Result
        Of the render, before the match.
    raw : AudioReader
        The render in float64.
    prepared : Prepared
        The chain with measured values.
    views : dict of str to View
    effects : tuple of Effect
        How much each stage makes later ones work.
    residual_db : float or None
        Against the first candidate, after the match; minus infinity where they are equal sample
        for sample, None where there is no voice to compare.
    squeeze_reach : float or None, LUFS
        How loud the squeeze got it, before all were matched.
    squeezed_index_db : float or None
        Sibilance index of the voice under the squeeze.
    clear : ndarray or None
        Audibility of the voice in each window of 50 ms; NaN where it does not sound.
    same_as : str or None
        An earlier candidate with the same audio.
    """

    candidate: Candidate
    result: Result
    raw: AudioReader
    prepared: Prepared
    views: dict[str, View] = field(default_factory=dict)
    effects: tuple[Effect, ...] = ()
    residual_db: float | None = None
    squeeze_reach: float | None = None
    squeezed_index_db: float | None = None
    clear: Audio | None = None
    same_as: str | None = None

    @property
    def after(self) -> Measurement:
        """Figures of the render."""
        return self.result.after

    @property
    def squeeze_rise_db(self) -> float | None:
        """How far the sibilance index rises under the squeeze."""
        return difference(self.squeezed_index_db, self.after.sibilance_index_db)

    @property
    def clear_percent(self) -> float | None:
        """Mean audibility in percent over the windows in which the voice sounds."""
        if self.clear is None or not np.isfinite(self.clear).any():
            return None
        return 100.0 * float(np.nanmean(self.clear))

    @property
    def clear_every_half_second(self) -> list[float | None]:
        """Audibility averaged over every half second; None where the voice does not sound."""
        if self.clear is None:
            return []
        count = round(0.5 / HOP)
        rows = [self.clear[n : n + count] for n in range(0, len(self.clear), count)]
        return [float(np.nanmean(row)) if np.isfinite(row).any() else None for row in rows]


@dataclass(frozen=True)
class Comparison:
    """All candidates, treated; the first is what the others are compared with."""

    request: Request
    voice: AudioReader
    outcomes: tuple[Outcome, ...]
    voice_level: float | None

    @property
    def first(self) -> Outcome:
        """The candidate that the others are compared with."""
        return self.outcomes[0]

    @property
    def squeezed(self) -> float | None:
        """Loudness of the squeezed views in LUFS: that of the candidate that got least far."""
        reaches = [outcome.squeeze_reach for outcome in self.outcomes]
        return min((reach for reach in reaches if reach is not None), default=None)

    def falls_short(self, reach: float | None) -> bool:
        """Whether the squeeze's target is out of reach, told by how loud something got."""
        target = self.request.squeeze
        return target is not None and reach is not None and target - reach > SHORT
