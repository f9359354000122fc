"""Whole processes: start, and ``chainkit render`` of mono and stereo. Lengths: see growth.py."""

from __future__ import annotations

import os
import pathlib
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator

import numpy as np
import soundfile
from pair import Pair

from chainkit.audio.reader import AudioReader
from chainkit.audio.writer import AudioWriter
from chainkit.dsp.voice import sing

RATE = 48000
CHAIN = """\
chainkit: 1
stages:
  - eq:
      bands:
        - {shape: highpass, frequency: 80 Hz, slope: 24 dB/oct}
        - {shape: bell, frequency: 280 Hz, gain: -3.5 dB, q: 4}
        - {shape: bell, frequency: 1.2 kHz, gain: 1.5 dB, q: 1}
        - {shape: bell, frequency: 3.15 kHz, gain: -2 dB, q: 2}
        - {shape: high_shelf, frequency: 8 kHz, gain: 1 dB, q: 0.7}
  - deess: {frequency: 5.5 kHz, threshold: -34 dB, ratio: 4:1}
  - compress: {threshold: -20 dB, ratio: 3:1}
"""
FAULT = CHAIN.replace("threshold: -20 dB", "threshold: -20 Hz")
COMMAND = str(pathlib.Path(sys.executable).with_name("chainkit"))
NOTHING = [sys.executable, "-c", "pass"]
QUIET = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}


def pairs() -> Iterator[Pair]:
    with tempfile.TemporaryDirectory() as name:
        folder = pathlib.Path(name)
        chain, fault = folder / "chain.yaml", folder / "fault.yaml"
        chain.write_text(CHAIN)
        fault.write_text(FAULT)
        yield from starts(fault)
        yield from renders(folder, chain)


def starts(fault: pathlib.Path) -> Iterator[Pair]:
    nothing = process(NOTHING)
    yield Pair("start: --help", process([COMMAND, "--help"]), "python -c pass", nothing, "≤ 4")
    check = process([COMMAND, "check", str(fault)], code=2)
    yield Pair("start: fault in a chain file", check, "python -c pass", nothing, "≤ 6")


def renders(folder: pathlib.Path, chain: pathlib.Path) -> Iterator[Pair]:
    mono = made(folder / "4.wav", 4)
    four = rendered(mono, chain)
    copy = folder / "copy.wav"
    yield Pair("render 4 min of mono", four, "read and write alone", lambda: copied(mono, copy))
    short = rendered(made(folder / "second.wav", 1 / 60), chain)
    yield Pair("render 4 min of mono", four, "render of 1 s", short)
    stereo = rendered(made(folder / "stereo.wav", 4, channels=2), chain)
    yield Pair("render 4 min of stereo", stereo, "mono", four, "≤ 1.3 on two cores")
    alone = on_one_core(four)
    yield Pair("render 4 min of stereo", stereo, "mono on one core alone", alone, "≤ 1.3")


def made(path: pathlib.Path, minutes: float, channels: int = 1) -> pathlib.Path:
    """A file of an invented voice, as 24 bits."""
    voice = sing(RATE, seconds=min(60.0, max(3.0, 60.0 * minutes))).voice.reshape(-1, 1)
    voice = np.repeat(0.5 * voice, channels, axis=1)
    left = round(60 * minutes * RATE)
    with soundfile.SoundFile(path, "w", RATE, channels, "PCM_24") as file:
        while left > 0:
            file.write(voice[:left])
            left -= len(voice)
    return path


def rendered(voice: pathlib.Path, chain: pathlib.Path):
    """A render to new files: some file systems write a file out before it replaces another."""
    *command, _ = render_command(voice, chain)
    run = process(command)

    def anew() -> None:
        for output in voice.parent.glob("out.*"):
            output.unlink()
        run()

    return anew


def on_one_core(run: Callable[[], None]) -> Callable[[], None]:
    """The same on one core, where the system can hold a process to it."""

    def held() -> None:
        cores = os.sched_getaffinity(0)
        os.sched_setaffinity(0, {min(cores)})  # a process that it starts inherits it
        try:
            run()
        finally:
            os.sched_setaffinity(0, cores)

    return held if hasattr(os, "sched_setaffinity") else run


def render_command(voice: pathlib.Path, chain: pathlib.Path) -> list[str]:
    output = str(voice.with_name("out.wav"))
    return [COMMAND, "render", str(voice), "--chain", str(chain), "-o", output, "--force"]


def process(command: list[str], code: int = 0):
    """A call that runs `command` and insists on its exit code."""

    def run() -> None:
        if subprocess.run(command, **QUIET).returncode != code:
            raise RuntimeError(f"{command} did not end with {code}")

    return run


def copied(source: pathlib.Path, output: pathlib.Path) -> None:
    reader = AudioReader(source)
    form = {"container": reader.container, "subtype": reader.subtype, "force": True}
    with AudioWriter(output, rate=reader.rate, channels=reader.channels, **form) as writer:
        for block in reader.blocks():
            writer.write(block)
