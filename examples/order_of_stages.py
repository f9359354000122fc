"""The same chain with the EQ ahead of the compressor and behind it: what changes, measured.

Run as: python examples/order_of_stages.py [FOLDER]
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

from chainkit import Options, load_chain, render
from chainkit.audio.reader import read
from chainkit.demo import make_demo

ORDERS = {"eq-first": ("eq", "deess", "compress"), "eq-last": ("deess", "compress", "eq")}
LEVELS = ("integrated_lufs", "crest_db", "sibilance_index_db")


def main(folder: str) -> None:
    made = make_demo(folder, seconds=12)
    chain = load_chain(made.chain)
    results = {}
    for name, order in ORDERS.items():
        output = Path(folder) / f"{name}.wav"
        # 32-bit float, so that not even rounding differs between the two.
        options = Options(subtype="FLOAT")
        results[name] = render(made.voice, chain.reordered(order), output, options)
    report(results)
    print(f"\nresidual after matching loudness: {residual(results):.1f} dB")
    print(f"listen: {', '.join(str(result.files[0]) for result in results.values())}")


def report(results) -> None:
    """One line for each figure, one column for each order."""
    print(f"{'':34}" + "".join(f"{name:>10}" for name in results))
    records = [result.record for result in results.values()]
    for key in LEVELS:
        line(key, [record["levels"]["after"][key] for record in records])
    for stage in ("deess", "compress"):
        line(f"{stage}, mean reduction dB", [r["stages"][stage]["mean_db"] for r in records])
        inside = [r["stages"][stage]["inside_sibilants_db"] for r in records]
        line(f"{stage}, inside sibilants dB", inside)


def line(label, values) -> None:
    cells = ("–" if value is None else f"{value:.2f}" for value in values)
    print(f"{label:34}" + "".join(f"{cell:>10}" for cell in cells))


def residual(results) -> float:
    """Level of the difference against the first order, once both have the same loudness."""
    (first, second) = (read(result.files[0])[0] for result in results.values())
    loudness = [result.after.integrated_lufs for result in results.values()]
    matched = second * 10 ** ((loudness[0] - loudness[1]) / 20)
    return 10 * float(np.log10(np.mean((matched - first) ** 2) / np.mean(first**2)))


if __name__ == "__main__":
    main(sys.argv[1] if len(sys.argv) > 1 else "order")
