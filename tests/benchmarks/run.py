"""Measure chainkit against its peers, side by side: ``python tests/benchmarks/run.py [WORD …]``.

Prints one table for this machine: the time of chainkit, the time of the peer, and their ratio,
as medians of alternating repeats, with the least and the greatest ratio. Words choose the rows
that hold one of them; ``--repeats N`` sets the number of repeats.

A bench is a file ``bench_*.py`` beside this one with a function ``pairs()`` that yields `Pair`s.
"""

from __future__ import annotations

import argparse
import datetime as dt
import importlib
import importlib.metadata
import pathlib
import platform
import statistics
import sys
import time
from collections.abc import Callable, Iterator

sys.path.insert(0, str(pathlib.Path(__file__).parent))

from pair import Pair, Skipped

HEAD = (
    "| what | chainkit ms | peer | peer ms | ratio | least to greatest | wanted |\n"
    "| --- | --- | --- | --- | --- | --- | --- |"
)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("words", nargs="*", help="only rows whose name holds one of these")
    parser.add_argument("--repeats", type=int, default=7)
    options = parser.parse_args()
    print(header() + "\n\n" + HEAD)
    for pair in chosen(options.words):
        print(row(pair, options.repeats), flush=True)


def header() -> str:
    libraries = ("numpy", "scipy", "numba")
    versions = ", ".join(f"{name} {importlib.metadata.version(name)}" for name in libraries)
    day = dt.date.today().isoformat()
    return f"{day}, {processor()}, Python {platform.python_version()}, {versions}"


def processor() -> str:
    for line in pathlib.Path("/proc/cpuinfo").read_text().splitlines():
        if line.startswith("model name"):
            return line.split(":")[1].strip()
    return platform.processor()


def chosen(words: list[str]) -> Iterator[Pair]:
    for file in sorted(pathlib.Path(__file__).parent.glob("bench_*.py")):
        module = importlib.import_module(file.stem)
        try:
            for pair in module.pairs():
                if not words or any(word in pair.name for word in words):
                    yield pair
        except Skipped as reason:
            print(f"| {file.stem} | left out: {reason} | | | | | |")


def row(pair: Pair, repeats: int) -> str:
    pair.ours()
    pair.peer()
    ours, peers = [], []
    for _ in range(repeats):
        ours.append(seconds(pair.ours))
        peers.append(seconds(pair.peer))
    ratios = [own / peer for own, peer in zip(ours, peers, strict=True)]
    return (
        f"| {pair.name} | {1e3 * statistics.median(ours):.1f} | {pair.peer_name} "
        f"| {1e3 * statistics.median(peers):.1f} | {statistics.median(ratios):.2f} "
        f"| {min(ratios):.2f} to {max(ratios):.2f} | {pair.wanted} |"
    )


def seconds(call: Callable[[], object]) -> float:
    begin = time.perf_counter()
    call()
    return time.perf_counter() - begin


if __name__ == "__main__":
    main()
