"""The ground truth of a song: plain records, times in seconds from the first frame."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Span:
    """A stretch of time, `start` to `end` in seconds."""

    start: float
    end: float


@dataclass(frozen=True)
class Fricative(Span):
    """A hiss: a sibilant (s, z, sh, ch) or one of the dull ones (f, th).

    `start` and `end` are where its noise passes half its amplitude.

    Parameters
    ----------
    kind : str
        s, z, sh, ch, f or th.
    peak_hz : float
        Where the shape of its noise is strongest.
    edge_hz : float
        Where that shape, coming from below, has risen to half its greatest amplitude: the noise
        carries its energy above.
    against_vowel_db : float
        RMS of its noise against the RMS of the vowel beside it (the next one, else the last).
    """

    kind: str
    peak_hz: float
    edge_hz: float
    against_vowel_db: float


@dataclass(frozen=True)
class Plosive(Span):
    """A closure with its burst; `kind` is p, t, k, b, d or g, `burst` the second it opens."""

    kind: str
    burst: float


@dataclass(frozen=True)
class Note(Span):
    """A sung vowel.

    Parameters
    ----------
    vowel : str
        Key of `phones.FORMANTS`.
    hz : float
        Pitch it settles on; vibrato and glides move about it.
    bright : bool
        Sung with strong upper harmonics.
    """

    vowel: str
    hz: float
    bright: bool


@dataclass(frozen=True)
class Phrase(Span):
    """A phrase; `level_db` is its RMS in dBFS between `start` and `end`, room tone left out."""

    level_db: float
