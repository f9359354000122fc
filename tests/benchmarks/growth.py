"""How cost grows: ``python tests/benchmarks/growth.py [length] [sections] [channels]``.

length: renders of 1 minute to 2 hours (``--minutes``), each a process of its own; what each second
costs that it is longer than the one before (the first: than 20 s), so that start and end are not
counted, by the clock and in processor time, and the greatest resident memory. Short ones are
rendered five times as often, since what they differ by is small. sections: 1 to 64 bells.
channels: 1 to 32 channels through a whole chain. Medians of alternating repeats.
"""

from __future__ import annotations

import argparse
import os
import pathlib
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable

import numpy as np

sys.path.insert(0, str(pathlib.Path(__file__).parent))

from bench_process import CHAIN, QUIET, RATE, made, render_command

from chainkit.chain import parse_chain
from chainkit.chain.stream import ChainStream
from chainkit.dsp import filters
from chainkit.dsp.cascade import Cascade
from chainkit.rendering import LONG, LONGEST

BLOCK = 16384
START = 1 / 3  # minutes: all loops are loaded then
SHORT, OFTEN = 4, 5  # minutes and times


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("parts", nargs="*", metavar="PART", help="length, sections, channels")
    parser.add_argument("--minutes", type=float, nargs="+", default=[1, 4, 20, 120])
    parser.add_argument("--repeats", type=int, default=5)
    options = parser.parse_args()
    for name, part in {"length": lengths, "sections": sections, "channels": channels}.items():
        if not options.parts or name in options.parts:
            part(options)


def lengths(options: argparse.Namespace) -> None:
    print("| minutes | process s | ms a further second | processor ms | memory MiB |")
    print("| --- | --- | --- | --- | --- |")
    with tempfile.TemporaryDirectory() as name:
        folder = pathlib.Path(name)
        chain = folder / "chain.yaml"
        chain.write_text(CHAIN)
        minutes = (START, *sorted(options.minutes))
        files = {m: made(folder / f"{m}.wav", m) for m in minutes}
        runs: dict[float, list[np.ndarray]] = {m: [] for m in minutes}
        for _ in range(options.repeats):
            rendered(files[START], chain)  # not counted: it bears what two hours left behind
            for m, voice in files.items():
                runs[m] += [rendered(voice, chain) for _ in range(OFTEN if m <= SHORT else 1)]
        median = {m: np.median(found, axis=0) for m, found in runs.items()}
        before = START
        for m in options.minutes:
            clock, processor = (1e3 * (median[m] - median[before]) / (60 * (m - before)))[:2]
            whole, _, memory = median[m]
            before = m
            row = f"| {m:g} | {whole:.2f} | {clock:.3f} | {processor:.3f} | {memory:.0f} |"
            print(row, flush=True)


def rendered(voice: pathlib.Path, chain: pathlib.Path) -> np.ndarray:
    """Seconds by the clock and of processor time, and greatest resident memory in MiB.

    The memory is the child's own: a child that is forked starts with its parent's, so it is
    started by way of a small shell.
    """
    command = ["/bin/sh", "-c", '"$@" && exec true', "sh", *render_command(voice, chain)]
    os.sync()  # what the run before has written must not hold this one up
    begin = time.perf_counter()
    with subprocess.Popen(command, **QUIET) as run:
        _, status, usage = os.wait4(run.pid, 0)
        run.returncode = os.waitstatus_to_exitcode(status)
    if run.returncode:
        raise RuntimeError(f"a render ended with {run.returncode}")
    spent = time.perf_counter() - begin
    return np.array([spent, usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1024])


def sections(options: argparse.Namespace) -> None:
    x = np.random.default_rng(1).standard_normal((60 * RATE, 1))
    print("| sections | ms | ms a section |\n| --- | --- | --- |")
    counts = (1, 2, 4, 8, 16, 32, 64)
    runs = alternating(
        {n: lambda n=n: timed(lambda: filtered(x, n)) for n in counts}, options.repeats
    )
    for count in counts:
        spent = 1e3 * statistics.median(runs[count])
        print(f"| {count} | {spent:.1f} | {spent / count:.2f} |", flush=True)


def filtered(x: np.ndarray, count: int) -> None:
    bells = [filters.bell(RATE, 60.0 * 1.09**k, 3.0, 1.0) for k in range(count)]
    cascade = Cascade(np.concatenate(bells), x.shape[1])
    for begin in range(0, len(x), BLOCK):
        cascade.process(x[begin : begin + BLOCK])


def channels(options: argparse.Namespace) -> None:
    print("| channels | ms | ms a channel |\n| --- | --- | --- |")
    counts = (1, 2, 4, 8, 16, 32)
    voices = {n: np.random.default_rng(n).standard_normal((10 * RATE, n)) * 0.1 for n in counts}
    runs = alternating(
        {n: lambda x=x: timed(lambda: chained(x)) for n, x in voices.items()}, options.repeats
    )
    for count in counts:
        spent = 1e3 * statistics.median(runs[count])
        print(f"| {count} | {spent:.1f} | {spent / count:.2f} |", flush=True)


def chained(x: np.ndarray) -> None:
    stream = ChainStream(parse_chain(CHAIN, "chain"), RATE, x.shape[1])
    size = min(LONGEST, LONG // x.shape[1])
    for begin in range(0, len(x), size):
        stream.process(x[begin : begin + size])
    stream.finish()


def timed(call: Callable[[], object]) -> float:
    begin = time.perf_counter()
    call()
    return time.perf_counter() - begin


def alternating(calls: dict, repeats: int) -> dict:
    """Results of each call, after one that is not counted; the calls take turns."""
    for call in calls.values():
        call()
    results: dict = {key: [] for key in calls}
    for _ in range(repeats):
        for key, call in calls.items():
            results[key].append(call())
    return results


if __name__ == "__main__":
    main()
