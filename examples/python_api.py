"""Chains on arrays: the whole voice at once, block by block with the same bits, built in Python.

Run as: python examples/python_api.py [FOLDER]
"""

from __future__ import annotations

import sys

import numpy as np

from chainkit import Bell, Chain, Compress, Eq, Highpass, load_chain, prepare
from chainkit.audio.reader import read
from chainkit.demo import make_demo

BLOCK = 1000


def main(folder: str) -> int:
    made = make_demo(folder, seconds=12)
    voice, rate = read(made.voice)  # (frames, channels), full scale 1.0

    # 1. The whole voice: audio, and for each stage its gain in dB in every frame.
    chain = load_chain(made.chain)
    whole = chain.process(voice, rate)
    for name, gain in whole.gains.items():
        print(f"{name}: gain between {gain.min():.1f} and {gain.max():.1f} dB")

    # 2. Block by block. What the chain must know of the whole voice (its loudness) is measured
    #    first; then the stream keeps its state, and the bits do not depend on the blocks.
    starts = range(0, len(voice), BLOCK)
    blocks = [voice[start : start + BLOCK] for start in starts]
    stream = prepare(chain, rate, voice.shape[1], lambda: blocks).stream(rate, voice.shape[1])
    pieces = [stream.process(block).audio for block in blocks] + [stream.finish().audio]
    same = np.array_equal(np.concatenate(pieces), whole.audio)
    print(f"in blocks of {BLOCK} frames, the same bits: {same}")

    # 3. A chain without a file: values are Hz, dB and seconds.
    bands = (Highpass(frequency=90.0, slope=24.0), Bell(frequency=290.0, gain=-4.0, q=5.0))
    built = Chain((Eq(bands=bands), Compress(threshold=-24.0, ratio=3.0, attack=0.008)))
    for threshold in ("-24 dB", "-30 dB"):
        changed = built.with_value("compress.threshold", threshold)
        gain = changed.process(voice, rate).gains["compress"]
        print(f"compress at {threshold}: mean reduction {-gain.mean():.2f} dB")
    return 0 if same else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1] if len(sys.argv) > 1 else "api"))
