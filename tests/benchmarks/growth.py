"""How cost grows: ``python tests/benchmarks/growth.py [length] [sections] [channels]``.

length: renders of 1 minute to 2 hours (``--minutes``), each a process of its own; what each second
costs that it is longer than the one before, so that start and end are not counted, by the clock
and in processor time, and the greatest resident memory. Short ones are rendered more often, since
what they differ by is small. A machine that others share changes its pace within seconds, so each
run is timed against renders of 4 minutes right before and behind it, for which a long one is halted
every second: times are given at the median pace of these. sections: 1 to 64 bells.
channels: 1 to 32 channels through a whole chain. Medians of alternating repeats.
"""

from __future__ import annotations

import argparse
import os
import pathlib
import signal
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

sys.path.insert(0, str(pathlib.Path(__file__).parent))

from bench_process import CHAIN, QUIET, RATE, made, render_command

from chainkit.chain import parse_chain
from chainkit.chain.stream import ChainStream
from chainkit.dsp import filters
from chainkit.dsp.cascade import Cascade
from chainkit.rendering import LONG, LONGEST

BLOCK = 16384
OFTEN = 20  # minutes that a length is rendered in each repeat, at most six times
GAUGE = 4  # minutes, of the render that tells the pace
SLICE = 1.0  # seconds that a render goes on between two of those


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
        minutes = sorted(options.minutes)
        files = {m: made(folder / f"{m}.wav", m) for m in {*minutes, GAUGE}}
        runs: dict[float, list[Spent]] = {m: [] for m in minutes}
        for _ in range(options.repeats):
            rendered(files[GAUGE], chain)  # not counted: it bears what two hours left behind
            for m in minutes:
                for _ in range(round(min(6, max(1, OFTEN / m)))):
                    runs[m].append(paced(files[m], files[GAUGE], chain))
        usual = np.median([spent.gauge for found in runs.values() for spent in found], axis=0)
        median = {
            m: usual * np.median([spent.times / spent.gauge for spent in found], axis=0)
            for m, found in runs.items()
        }
        for before, m in zip([None, *minutes], minutes, strict=False):
            memory = statistics.median(spent.memory for spent in runs[m])
            further = ["–", "–"]
            if before is not None:
                more = (median[m] - median[before]) / (60 * (m - before))
                further = [f"{1e3 * spent:.3f}" for spent in more]
            row = [f"{m:g}", f"{median[m][0]:.2f}", *further, f"{memory:.0f}"]
            print("| " + " | ".join(row) + " |", flush=True)


@dataclass(frozen=True)
class Spent:
    """What a render took.

    Attributes
    ----------
    times, gauge : ndarray, (2,), seconds
        By the clock and of processor time: of the render, and of the mean one around it.
    memory : float, MiB
        Greatest resident.
    """

    times: np.ndarray
    gauge: np.ndarray
    memory: float


def paced(voice: pathlib.Path, gauge: pathlib.Path, chain: pathlib.Path) -> Spent:
    """Render `voice`, and `gauge` before, behind and at every halt."""
    around = [rendered(gauge, chain)[:2]]

    def halt() -> None:
        around.append(rendered(gauge, chain)[:2])

    *times, memory = rendered(voice, chain, halt)
    halt()
    return Spent(np.array(times), np.mean(around, axis=0), memory)


def rendered(
    voice: pathlib.Path, chain: pathlib.Path, halt: Callable[[], None] | None = None
) -> tuple[float, float, float]:
    """Seconds by the clock and of processor time, and greatest resident memory in MiB.

    With `halt`, the render is stopped every `SLICE`, and that called meanwhile. The memory is the
    child's own: a child that is forked starts with its parent's, so it is started by way of a small
    shell.
    """
    command = ["/bin/sh", "-c", '"$@" && exec true', "sh", *render_command(voice, chain)]
    os.sync()  # what the run before has written must not hold this one up
    begin, spent = time.perf_counter(), 0.0
    with subprocess.Popen(command, start_new_session=True, **QUIET) as run:
        while True:
            pid, status, usage = os.wait4(run.pid, os.WNOHANG if halt else 0)
            elapsed = time.perf_counter() - begin
            if pid:
                break
            if elapsed < SLICE:
                time.sleep(0.002)
                continue
            os.killpg(run.pid, signal.SIGSTOP)
            spent += elapsed
            halt()
            begin = time.perf_counter()
            os.killpg(run.pid, signal.SIGCONT)
        run.returncode = os.waitstatus_to_exitcode(status)
    if run.returncode:
        raise RuntimeError(f"a render ended with {run.returncode}")
    return spent + elapsed, usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1024


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
