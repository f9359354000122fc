"""Small comparisons to listen to."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from chainkit.audio.writer import write
from chainkit.pages.listening import (
    Candidate,
    Column,
    ListeningPage,
    Reduction,
    View,
    write_listening_page,
)

RATE = 48000
VIEWS = (View("voice", "Voice alone"), View("mix", "In the mix"))
NAMES = ("Shelf first", "Shelf last <script>window.taken = 1</script>", "No “shelf”\nat all")


def steady(rng: np.random.Generator, seconds: float, level: float = 0.25):
    """Never nearer to zero than four fifths of `level`: where it is, sound was lost. (frames, 1)"""
    return level + level / 5 * rng.uniform(-1, 1, (round(seconds * RATE), 1))


def small_page(folder: Path, rng: np.random.Generator, seconds: float = 12.0) -> Path:
    """Three different candidates and a twin, two views, curves, figures, sibilants."""
    folder.mkdir()
    candidates = [candidate(folder, rng, name, seconds) for name in NAMES]
    candidates.append(twin(candidates[0], "Shelf first, once more"))
    page = ListeningPage(
        "Where should the shelf go?",
        RATE,
        round(seconds * RATE),
        VIEWS,
        tuple(candidates),
        ((1.0, 1.12), (4.5, 4.6), (9.0, 9.2)),
        (Column("crest", "Crest factor", "dB", 1, 0.2), Column("share", "Clear share", "%", 0)),
        {"Its makeup ends at 48 dB": NAMES[:2], "Dithered": [one.name for one in candidates]},
        {"Voice to backing": "−3 LU"},
    )
    return write_listening_page(folder / "page", page)


def candidate(folder: Path, rng: np.random.Generator, name: str, seconds: float) -> Candidate:
    """Steady noise of its own; its second stage reduces by up to 6 dB."""
    number = len(list(folder.iterdir()))
    sources = {view.key: folder / f"{number}.{view.key}.wav" for view in VIEWS}
    for path in sources.values():
        write(path, steady(rng, seconds), RATE, subtype="PCM_16")
    curve = 6 * np.abs(np.sin(np.arange(round(seconds / 0.02)) / 40))
    return Candidate(
        name,
        sources,
        description="deess → eq",
        loudness={"voice": -20.0 + 0.01 * number, "mix": -16.0},
        trims={"voice": -1.5, "mix": 0.0},
        reductions=(
            Reduction("eq", 0.02, 0 * curve, 0.0, 0.0),
            Reduction("deess", 0.02, curve, curve.max(), 3.456),
        ),
        figures={"crest": 12 + 0.1 * number, "share": None},
    )


def twin(first: Candidate, name: str) -> Candidate:
    """The same audio under another name."""
    return Candidate(
        name,
        first.sources,
        loudness=first.loudness,
        trims=first.trims,
        reductions=first.reductions,
        figures=first.figures,
        same_as=first.name,
    )


def wide_page(folder: Path, rng: np.random.Generator, figures: int) -> Path:
    """Six candidates with as many `figures` ahead of their levels."""
    folder.mkdir()
    columns = [
        Column(f"f{n}", "compress in sibilants", "dB", 1, 0.25) for n in range(1, figures + 1)
    ]
    candidates = []
    for number in range(6):
        one = candidate(folder, rng, f"compress → deess → eq {number}", 2.0)
        values = {column.key: -12.3 - number for column in columns}
        candidates.append(replace(one, figures=values, trims={"voice": -40.38, "mix": 40.38}))
    page = ListeningPage("Wide", RATE, 2 * RATE, VIEWS, tuple(candidates), columns=tuple(columns))
    return write_listening_page(folder / "page", page)


def many_page(folder: Path, rng: np.random.Generator) -> Path:
    """Thirty candidates with long names."""
    folder.mkdir()
    first = candidate(folder, rng, "first", 2.0)
    names = (f"deess → a stage with a long name → eq, eq.bands.2.gain {n} dB" for n in range(30))
    candidates = tuple(replace(first, name=name, description="") for name in names)
    page = ListeningPage("Many", RATE, 2 * RATE, VIEWS, candidates)
    return write_listening_page(folder / "page", page)


def large_page(folder: Path, rng: np.random.Generator) -> Path:
    """Twelve candidates of four minutes at 48 kHz."""
    folder.mkdir()
    path = folder / "voice.wav"
    write(path, np.tile(steady(rng, 60), (4, 1)), RATE, subtype="PCM_16")
    candidates = tuple(Candidate(f"Candidate {n}", {"voice": path}) for n in range(1, 13))
    page = ListeningPage("Twelve", RATE, 240 * RATE, VIEWS[:1], candidates)
    return write_listening_page(folder / "page", page)
