"""Cascades of 1, 4 and 8 sections, mono and stereo, 60 s at 48 kHz in blocks, against scipy."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from pair import Pair
from scipy import signal

from chainkit.dsp import filters
from chainkit.dsp.cascade import Cascade

RATE = 48000
BLOCK = 16384


def pairs() -> Iterator[Pair]:
    for channels in (1, 2):
        x = np.random.default_rng(channels).standard_normal((RATE * 60, channels))
        for count, wanted in ((1, "at most 1.0"), (4, ""), (8, "at most 0.5")):
            bells = [filters.bell(RATE, 100.0 * 2**k, 3.0, 1.0) for k in range(count)]
            sos = np.concatenate(bells)
            yield Pair(
                f"cascade, {count} sections, {'mono' if channels == 1 else 'stereo'}",
                lambda sos=sos, x=x: ours(sos, x),
                "scipy.signal.sosfilt",
                lambda sos=sos, x=x: scipys(sos, x),
                wanted,
            )


def ours(sos: np.ndarray, x: np.ndarray) -> None:
    cascade = Cascade(sos, x.shape[1])
    for begin in range(0, len(x), BLOCK):
        cascade.process(x[begin : begin + BLOCK])


def scipys(sos: np.ndarray, x: np.ndarray) -> None:
    state = np.zeros((len(sos), 2, x.shape[1]))
    for begin in range(0, len(x), BLOCK):
        _, state = signal.sosfilt(sos, x[begin : begin + BLOCK], axis=0, zi=state)
