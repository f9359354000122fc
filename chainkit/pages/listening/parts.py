"""The page's data in script files: audio in short parts, reduction curves, the overview."""

from __future__ import annotations

import base64
import json
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from chainkit.audio.flac import encode
from chainkit.audio.reader import AudioReader
from chainkit.errors import ClippingError, UsageError
from chainkit.pages.listening.model import Candidate, ListeningPage, Reduction
from chainkit.process import cores

PART_SECONDS = 10
"""Length of one part: a megabyte or so of script, which decodes in some 20 ms."""

OVERVIEW_STEP = 0.01
"""Seconds that one step of the overview covers, unless that makes too many."""

OVERVIEW_STEPS = 40_000
"""The most steps of an overview: what a two-hour voice may add to the page."""

OF_AUDIO = 1.0
"""Bytes of a page's parts for one of its audio in 24 bits: FLAC leaves about three quarters, and as
text each three are four. Measured for a demo voice, its mix and the squeezed one: 0.93."""

MOST_CHANNELS = 8
"""What FLAC holds."""


def part_frames(rate: int) -> int:
    """Frames of one part."""
    return PART_SECONDS * rate


def write_parts(directory: Path, page: ListeningPage) -> None:
    """Write each candidate's audio and curves below `directory`, numbered, never named.

    Raises
    ------
    ClippingError
        A source passes full scale.
    UsageError
        A source has more channels than a page can carry.
    ValueError
        A source has another rate or length than the page.
    """
    with ThreadPoolExecutor(cores()) as pool:
        jobs = [pool.submit(_write_audio, *job) for job in _audio_jobs(directory, page)]
        for job in jobs:
            job.result()
    for number, candidate in enumerate(page.candidates):
        _write_curves(directory / f"curves-{number}.js", number, candidate)


def _audio_jobs(directory: Path, page: ListeningPage) -> Iterator[tuple[Path, str, AudioReader]]:
    for number, candidate in enumerate(page.candidates):
        for place, view in enumerate(page.views):
            source = AudioReader(candidate.sources[view.key])
            _check(source, page)
            yield directory, f"{number}-{place}", source


def _check(source: AudioReader, page: ListeningPage) -> None:
    if (source.rate, source.frames) != (page.rate, page.frames):
        raise ValueError(
            f"{source.path}: {source.frames} frames at {source.rate} Hz, "
            f"the page has {page.frames} at {page.rate} Hz"
        )
    if source.channels > MOST_CHANNELS:
        raise UsageError(
            f"{source.path}: {source.channels} channels; "
            f"a listening page carries at most {MOST_CHANNELS}"
        )


def _write_audio(directory: Path, stem: str, source: AudioReader) -> None:
    bits = 16 if source.subtype == "PCM_16" else 24
    for number, block in enumerate(source.blocks(part_frames(source.rate))):
        name = f"{stem}-{number}"
        text = _text(_encoded(block, source, bits))
        (directory / f"{name}.js").write_text(f'receiveAudio("{name}","{text}");\n', "ascii")


def _encoded(block: NDArray[np.float64], source: AudioReader, bits: int) -> bytes:
    try:
        return encode(block, source.rate, bits)
    except ValueError as fault:
        raise ClippingError(f"{source.path}: {fault}; lower its level for the page") from fault


def _write_curves(path: Path, number: int, candidate: Candidate) -> None:
    curves = json.dumps([_curve(reduction) for reduction in candidate.reductions])
    path.write_text(f"receiveCurves({number},{curves});\n", "ascii")


def _curve(reduction: Reduction) -> dict[str, object]:
    """Hundredths of a dB in 16 bits: finer than a line can show, up to 655 dB."""
    hundredths = np.clip(np.rint(np.asarray(reduction.points) * 100), 0, 65535)
    points = _text(hundredths.astype("<u2").tobytes())
    return {
        "stage": reduction.stage,
        "step": reduction.step,
        "points": points,
        "greatest": float(reduction.greatest),
        "mean": float(reduction.mean),
    }


def overview(source: AudioReader) -> dict[str, object]:
    """Lowest and highest sample of each step, over all channels, against the greatest of all.

    Returns
    -------
    dict
        ``step`` in frames; ``low`` and ``high``: base64 of one signed byte for each step, ±127
        being the greatest absolute sample of the file.
    """
    step = max(round(OVERVIEW_STEP * source.rate), -(-source.frames // OVERVIEW_STEPS), 1)
    extremes = [_extremes(block, step) for block in source.blocks(step * 256)]
    low, high = (np.concatenate(side) for side in zip(*extremes, strict=True))
    peak = max(-low.min(), high.max()) or 1.0
    low, high = (np.rint(side / peak * 127).astype(np.int8) for side in (low, high))
    return {"step": step, "low": _text(low.tobytes()), "high": _text(high.tobytes())}


def _extremes(
    block: NDArray[np.float64], step: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    starts = np.arange(0, len(block), step)
    low = np.minimum.reduceat(block.min(axis=1), starts)
    high = np.maximum.reduceat(block.max(axis=1), starts)
    return low, high


def _text(content: bytes) -> str:
    return base64.b64encode(content).decode("ascii")
