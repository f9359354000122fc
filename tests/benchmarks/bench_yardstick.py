"""The yardstick chain, 240 s of mono at 48 kHz in memory, against a plain C loop."""

from __future__ import annotations

import ctypes
import pathlib
import shutil
import subprocess
import tempfile
from collections.abc import Iterator

import numpy as np
from pair import Pair, Skipped

from chainkit.dsp import filters
from chainkit.dsp.deesser import DeEsser
from chainkit.dsp.dynamics import Compressor, smoothing
from chainkit.dsp.equalizer import Equalizer

RATE = 48000
SECONDS = 240
BLOCK = 65536

EQ = np.concatenate(
    [
        filters.butterworth("highpass", RATE, 80.0, 4),
        filters.bell(RATE, 280.0, -3.5, 4.0),
        filters.bell(RATE, 1200.0, 1.5, 1.0),
        filters.bell(RATE, 3150.0, -2.0, 2.0),
        filters.high_shelf(RATE, 8000.0, 3.0, 0.7),
    ]
)
SPLIT = {"frequency": 5500.0, "upper": None}
DEESSER = {"threshold": -34.0, "ratio": 4.0, "knee": 6.0, "attack": 0.001, "release": 0.060}
COMPRESSOR = {"threshold": -20.0, "ratio": 3.0, "knee": 6.0, "attack": 0.010, "release": 0.120}


class Section(ctypes.Structure):
    _fields_ = [(name, ctypes.c_double) for name in ("b0", "b1", "b2", "a1", "a2", "p", "q")]


class Dynamics(ctypes.Structure):
    _fields_ = [
        (name, ctypes.c_double)
        for name in ("threshold", "slope", "knee", "attack", "release", "gain")
    ]


def pairs() -> Iterator[Pair]:
    voice = made_voice()
    loop = compiled()
    for phase, lookahead, wanted in (("minimum", 0.0, "at most 1.0"), ("linear", 0.001, "")):
        yield Pair(
            f"yardstick, {phase} phase split",
            lambda phase=phase, lookahead=lookahead: chain(voice, phase, lookahead),
            "C loop",
            lambda: loop(voice),
            wanted,
        )


def made_voice() -> np.ndarray:
    """Noise whose level swells and falls between -60 and -10 dBFS."""
    frames = np.arange(RATE * SECONDS)
    swell = 10 ** ((-35 + 25 * np.sin(2 * np.pi * 0.7 * frames / RATE)) / 20)
    return (np.random.default_rng(1).standard_normal(frames.size) * swell)[:, None]


def chain(voice: np.ndarray, phase: str, lookahead: float) -> np.ndarray:
    runs = [
        Equalizer(EQ, 1),
        DeEsser(
            RATE, 1, **SPLIT, **DEESSER, sense="band", reduction_range=None, lookahead=lookahead,
            detector="rms", window=0.002, phase=phase,
        ),
        Compressor(
            RATE, 1, **COMPRESSOR, lookahead=0.0, detector="peak", window=0.005,
            sidechain_highpass=None, reduction_range=None, makeup=0.0, mix=1.0, link=True,
        ),
    ]  # fmt: skip
    out = np.empty_like(voice)
    done = 0
    for begin in range(0, len(voice), BLOCK):
        block = voice[begin : begin + BLOCK]
        for run in runs:
            block = run.process(block)[0]
        out[done : done + len(block)] = block
        done += len(block)
    return out


def compiled():
    """The C loop as a function of a voice."""
    compiler = shutil.which("cc")
    if compiler is None:
        raise Skipped("no C compiler (cc) here")
    with tempfile.TemporaryDirectory() as folder:
        library = pathlib.Path(folder, "yardstick.so")
        source = pathlib.Path(__file__).with_name("yardstick.c")
        flags = ["-O3", "-march=native", "-ffast-math", "-shared", "-fPIC"]
        subprocess.run([compiler, *flags, source, "-o", library, "-lm"], check=True)
        function = ctypes.CDLL(str(library)).yardstick
    low, high = filters.linkwitz_riley(RATE, SPLIT["frequency"])

    def loop(voice: np.ndarray) -> np.ndarray:
        out = voice.copy()
        function(
            out.ctypes.data_as(ctypes.c_void_p), ctypes.c_long(len(out)),
            sections(EQ), sections(low), sections(high),
            ctypes.byref(dynamics(**DEESSER)), ctypes.byref(dynamics(**COMPRESSOR)),
        )  # fmt: skip
        return out

    return loop


def sections(sos: np.ndarray):
    return (Section * len(sos))(*(Section(*row[[0, 1, 2, 4, 5]], 0.0, 0.0) for row in sos))


def dynamics(threshold, ratio, knee, attack, release) -> Dynamics:
    times = smoothing(attack, RATE), smoothing(release, RATE)
    return Dynamics(threshold, 1 - 1 / ratio, knee, *times, 0.0)
