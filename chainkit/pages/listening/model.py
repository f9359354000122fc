"""What a listening page shows: plain data, independent of how it was measured."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class View:
    """A way to hear every candidate: alone, in the mix, squeezed.

    Parameters
    ----------
    key : str
        ``voice``, ``mix`` or ``squeezed``; the key of `Candidate.sources`.
    label : str
        What the listener reads: ``In the mix``.
    """

    key: str
    label: str


@dataclass(frozen=True, eq=False)
class Reduction:
    """How far one stage turns down, over time.

    Parameters
    ----------
    stage : str
    step : float, s, > 0
        Time from one point to the next; 10 to 50 ms is fine enough to see and small to carry.
    points : ndarray, (points,), dB, >= 0
        Greatest reduction within each step, the first step starting at 0 s.
    greatest, mean : float, dB
        Over all frames; a mean of `points` would be too great.
    """

    stage: str
    step: float
    points: NDArray[np.float64]
    greatest: float
    mean: float


@dataclass(frozen=True)
class Column:
    """One figure of the table.

    Parameters
    ----------
    key : str
        Key of `Candidate.figures`.
    label, unit : str
    decimals : int
    uncertainty : float or None
        In `unit`: a smaller difference from the first candidate says nothing, and is marked so.
    """

    key: str
    label: str
    unit: str = ""
    decimals: int = 1
    uncertainty: float | None = None


@dataclass(frozen=True, eq=False)
class Candidate:
    """One thing to listen to.

    Parameters
    ----------
    name, description : str
        Any text; the description may give the order of stages.
    sources : mapping of view key to path
        A sound file for each view of the page, all of the page's rate and frame count.
    loudness : mapping of view key to float or None, LUFS
        Integrated loudness as measured after matching.
    trims : mapping of view key to float, dB
        The gain that matched it.
    reductions : tuple of Reduction
        In signal order.
    figures : mapping of column key to float or None
        Minus infinity is shown as none: equal signals have no residual.
    same_as : str or None
        Name of an earlier candidate with the same audio.
    """

    name: str
    sources: Mapping[str, Path]
    description: str = ""
    loudness: Mapping[str, float | None] = field(default_factory=dict)
    trims: Mapping[str, float] = field(default_factory=dict)
    reductions: tuple[Reduction, ...] = ()
    figures: Mapping[str, float | None] = field(default_factory=dict)
    same_as: str | None = None


@dataclass(frozen=True, eq=False)
class ListeningPage:
    """Everything a listening page shows.

    Parameters
    ----------
    title : str
    rate : int, Hz
    frames : int, > 0
    views : tuple of View
        The first is the one the page opens with.
    candidates : tuple of Candidate
        The first is the one that figures are compared with, and whose waveform is drawn.
    sibilants : tuple of (start, end), s
    columns : tuple of Column
    notes : mapping of str to sequence of str
        What the listener should know of how candidates were made, with their names.
    settings : mapping of str to str
        How the comparison was made, for the foot of the page.

    Raises
    ------
    ValueError
        No view, no candidate, a name given twice, a view without a source, or `same_as` that names
        no earlier candidate.
    """

    title: str
    rate: int
    frames: int
    views: tuple[View, ...]
    candidates: tuple[Candidate, ...]
    sibilants: tuple[tuple[float, float], ...] = ()
    columns: tuple[Column, ...] = ()
    notes: Mapping[str, Sequence[str]] = field(default_factory=dict)
    settings: Mapping[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if not self.views or not self.candidates:
            raise ValueError("a listening page needs a view and a candidate")
        earlier: list[str] = []
        for candidate in self.candidates:
            self._check(candidate, earlier)
            earlier.append(candidate.name)

    def _check(self, candidate: Candidate, earlier: list[str]) -> None:
        if candidate.name in earlier:
            raise ValueError(f"two candidates are named {candidate.name!r}")
        if candidate.same_as is not None and candidate.same_as not in earlier:
            raise ValueError(f"{candidate.name!r} is the same as no earlier candidate")
        missing = [view.key for view in self.views if view.key not in candidate.sources]
        if missing:
            raise ValueError(f"{candidate.name!r} has no source for {', '.join(missing)}")
