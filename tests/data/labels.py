"""Compares found sibilants with phoneme labels."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

TOLERANCE = 0.030  # seconds, of the onset

# A stop that opens into a sibilant: its label starts with the closure, in silence.
AFFRICATES = frozenset(("ch", "jh", "tS", "dZ", "ts", "dz", "tS;", "dZ;", "ts;", "ts2", "ts."))
SIBILANTS = AFFRICATES | frozenset(
    ("s", "z", "sh", "zh", "S", "Z", "s;", "z;", "S;", "Z;", "s.", "z.")
)


@dataclass(frozen=True)
class Label:
    """A phoneme and the seconds it spans."""

    name: str
    start: float
    end: float


@dataclass(frozen=True)
class Score:
    """Sibilants found, missed, and found where there is none."""

    found: int
    missed: int
    invented: int

    @property
    def precision(self) -> float:
        return self.found / max(1, self.found + self.invented)

    @property
    def recall(self) -> float:
        return self.found / max(1, self.found + self.missed)

    def __add__(self, other: Score) -> Score:
        return Score(
            self.found + other.found, self.missed + other.missed, self.invented + other.invented
        )


def score(onsets: Sequence[float], labels: Iterable[Label]) -> Score:
    """Match events to labels one to one by their onset.

    The hiss of an affricate may start anywhere within its label. Where sibilants follow each
    other without a gap, the events may be one: a label that continues another one is not missed.
    """
    left = list(onsets)
    found = missed = 0
    before = -1.0
    for label in labels:
        if label.name not in SIBILANTS:
            continue
        last = label.end if label.name in AFFRICATES else label.start + TOLERANCE
        near = [onset for onset in left if label.start - TOLERANCE <= onset <= last]
        if near:
            left.remove(min(near, key=lambda onset: abs(onset - label.start)))
            found += 1
        elif label.start - before > 0.01:
            missed += 1
        before = label.end
    return Score(found, missed, len(left))
