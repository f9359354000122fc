"""Scouting 240 s of mono at 48 kHz, against one pass of spectra over the same samples."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import scipy.signal
from pair import Pair

from chainkit.audio.writer import write
from chainkit.dsp.voice import sing
from chainkit.scout import scout_file

RATE = 48000


def pairs() -> Iterator[Pair]:
    x = np.tile(sing(RATE, seconds=24.0, seed=1).voice, (10, 1))
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "lead.wav")
        write(path, x, RATE, subtype="PCM_24")
        yield Pair(
            "scout",
            lambda: scout_file(path),
            "scipy spectrogram, 16 ms every 5 ms",
            lambda: scipy.signal.spectrogram(x[:, 0], RATE, "hann", 768, 528),
            "under 6 s",
        )
