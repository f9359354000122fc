"""Tries a chain on some seconds of a source: what its de-esser takes, where, and what it is worth.

A de-esser is there for the sibilants. Where what fills its band elsewhere is nearly as loud, as in
a bright voice or in noise, it is a static cut of the treble, and dulls what it should leave alone.

In bright synthetic voices the plain setting took elsewhere 0.55 to 0.75 of what it took from the
sibilants, an edge at 4.4 kHz 0.24 to 0.4, and in the brightest `sense: share` 0.35; under noise at
-34 dBFS it was 0.86.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from chainkit.chain import Chain
from chainkit.chain.stream import Prepared
from chainkit.dsp.sibilance import Sibilance, Sibilant, SibilantDetector
from chainkit.gainlog import GainLog
from chainkit.rendering import DEFAULTS
from chainkit.scout.analyse import Scouting
from chainkit.scout.deessing import trim
from chainkit.stages.compress import is_matched

Values = NDArray[np.float64]

TRIED, LEAD = 30.0, 2.0  # seconds that are tried, and of them ahead of the first sibilant
MANY = 0.5  # of the most sibilants that such seconds hold: enough to stand for all
LEAST_CALMER = 0.5  # dB by which the sibilance index must fall
# Mean reduction elsewhere against that in the sibilants, up to which a de-esser works on these, and
# from which it does not: made voices that a higher edge or `sense: share` can serve have 0.2 to
# 0.4, those that neither can 0.6 and more; noise 34 dB below full scale 0.86. A mean of 0.5 dB is
# not heard (common practice, no source).
SELECTIVE, STATIC = 0.4, 0.6
UNHEARD = 0.5  # dB


@dataclass(frozen=True)
class Trial:
    """What came of a chain with a de-esser.

    Attributes
    ----------
    calmer_db : float
        How far the sibilance index has fallen; infinite where no sibilant is left.
    inside_db, outside_db : float
        Mean reduction of the de-esser in the sibilants, and elsewhere while the source sounds, as
        a render's record counts them.
    """

    calmer_db: float
    inside_db: float
    outside_db: float

    @property
    def calms(self) -> bool:
        """Whether the sibilants have come down against the rest."""
        return self.calmer_db > LEAST_CALMER

    @property
    def share(self) -> float:
        """Reduction elsewhere against that in the sibilants."""
        return self.outside_db / max(self.inside_db, 1e-9)

    @property
    def selective(self) -> bool:
        """Whether it works on the sibilants, and hardly elsewhere."""
        return self.outside_db <= max(UNHEARD, SELECTIVE * self.inside_db)


class Sample:
    """Some seconds of a source whose sibilants stand for those of all of it.

    They are heard as a render of the whole source hears them: at the gain that brings this, and not
    the seconds by themselves, to the working level.

    Parameters
    ----------
    scouting : Scouting

    Attributes
    ----------
    hisses : bool
        Whether there are sibilants in it.
    """

    def __init__(self, scouting: Scouting) -> None:
        excerpt, self._rate = scouting.heard.excerpt[:, None], scouting.rate
        events = _sibilance(excerpt, self._rate).sibilants
        last = max(0.0, len(excerpt) / self._rate - TRIED)
        start = round(_beginning(events, last) * self._rate)
        end = start + round(TRIED * self._rate)
        self._audio, self._trim = np.ascontiguousarray(excerpt[start:end]), trim(scouting)
        self._before = _sibilance(self._audio, self._rate)
        self.hisses = self._before.index_db is not None

    def tried(self, chain: Chain) -> Trial:
        """What a chain with a de-esser does to a sample that has sibilants."""
        # What brings the loudness back moves all of it alike, and tells nothing here.
        stages = (replace(s, makeup=0.0) if is_matched(s) else s for s in chain.stages)
        bare = replace(chain, stages=tuple(stages), working_level=None)
        stream = Prepared(bare, self._trim).stream(self._rate, 1)
        log = GainLog(stream, round(DEFAULTS.log_step * self._rate), None)
        treated = []
        for voice, passage in stream.passages([self._audio]):
            log.add(voice, passage)
            treated.append(passage.audio)
        log.finish()
        after = _sibilance(np.concatenate(treated), self._rate).index_db
        calmer = float("inf") if after is None else (self._before.index_db or 0.0) - after
        (deess,) = [stage.name for stage in chain.active if stage.kind == "deess"]
        events = [(event.start, event.end) for event in self._before.sibilants]
        inside, outside = log.inside_and_outside(events)[deess]
        return Trial(calmer, inside or 0.0, outside or 0.0)


def _sibilance(x: Values, rate: int) -> Sibilance:
    detector = SibilantDetector(rate, 1)
    detector.add(x)
    return detector.finish()


def _beginning(events: Sequence[Sibilant], last: float) -> float:
    """Where the seconds begin whose middle sibilant is as loud as that of all, up to `last`.

    The threshold follows the middle one of the whole source, so where a song begins softly its
    first seconds would tell of sibilants that it never reaches.
    """
    if not events:
        return 0.0
    starts = np.array([event.start for event in events])
    levels = np.array([event.band_dbfs for event in events])
    begins = np.clip(starts - LEAD, 0.0, last)
    spans = [slice(*np.searchsorted(starts, (begin, begin + TRIED))) for begin in begins]
    counts = np.array([span.stop - span.start for span in spans])
    away = np.abs(np.array([np.median(levels[span]) for span in spans]) - np.median(levels))
    return float(begins[np.where(counts >= MANY * counts.max(), away, np.inf).argmin()])
