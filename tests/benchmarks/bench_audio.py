"""Sound files of 240 s of mono at 48 kHz: in, and out with dither, against plain libsndfile."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import soundfile
from pair import Pair

from chainkit.audio.formats import CONTAINERS
from chainkit.audio.reader import AudioReader
from chainkit.audio.writer import AudioWriter, write

RATE = 48000
BLOCK = 65536
CASES = [("wav", "PCM_16"), ("wav", "PCM_24"), ("wav", "FLOAT"), ("flac", "PCM_24")]


def pairs() -> Iterator[Pair]:
    x = np.random.default_rng(1).uniform(-0.9, 0.9, (240 * RATE, 1))
    with tempfile.TemporaryDirectory() as folder:
        for extension, subtype in CASES:
            path, other = Path(folder, f"a.{extension}"), Path(folder, f"b.{extension}")
            write(path, x, RATE, subtype=subtype)
            yield Pair(
                f"read {extension} {subtype}",
                lambda path=path: sum(map(len, AudioReader(path).blocks(BLOCK))),
                "soundfile, unchecked",
                lambda path=path: sum(map(len, soundfile.blocks(path, BLOCK))),
                "at most 1.3",
            )
            yield Pair(
                f"write {extension} {subtype}{'' if subtype == 'FLOAT' else ' with dither'}",
                lambda path=path, subtype=subtype: ours(path, x, subtype),
                "soundfile, without dither",
                lambda other=other, subtype=subtype: peer(other, x, subtype),
                "at most 1.3",
            )
            path.unlink()


def ours(path: Path, x: np.ndarray, subtype: str) -> None:
    form = {"container": CONTAINERS[path.suffix], "subtype": subtype, "force": True}
    with AudioWriter(path, rate=RATE, channels=1, **form) as writer:
        for begin in range(0, len(x), BLOCK):
            writer.write(x[begin : begin + BLOCK])


def peer(path: Path, x: np.ndarray, subtype: str) -> None:
    with soundfile.SoundFile(path, "w", RATE, 1, subtype) as file:
        for begin in range(0, len(x), BLOCK):
            file.write(x[begin : begin + BLOCK])
