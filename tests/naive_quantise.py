"""Slow twins of the quantiser's loops, written from the formulas with Python's own integers."""

from __future__ import annotations

import math

_WORD = (1 << 64) - 1


def splitmix64(seed: int, count: int) -> list[int]:
    """First outputs of SplitMix64: add the golden gamma, then mix (Steele, Lea, Flood 2014)."""
    outputs, state = [], seed
    for _ in range(count):
        state = (state + 0x9E3779B97F4A7C15) & _WORD
        z = state
        z = ((z ^ (z >> 30)) * 0xBF58476D1CE4E5B9) & _WORD
        z = ((z ^ (z >> 27)) * 0x94D049BB133111EB) & _WORD
        outputs.append(z ^ (z >> 31))
    return outputs


def quantise(samples: list[float], bits: int, seed: int) -> tuple[list[int], list[int]]:
    """Dithered codes held within range, and the indices of those that had to be held."""
    scale = 2 ** (bits - 1)
    codes, held = [], []
    for n, draw in enumerate(splitmix64(seed, len(samples))):
        dither = ((draw >> 32) - (draw & 0xFFFFFFFF)) / 2**32
        code = math.floor(samples[n] * scale + dither + 0.5)
        if not -scale <= code < scale:
            held.append(n)
        codes.append(min(max(code, -scale), scale - 1))
    return codes, held


def bytes_of(codes: list[int], bits: int) -> bytes:
    """Codes in two's complement, the lowest byte first."""
    return b"".join(code.to_bytes(bits // 8, "little", signed=True) for code in codes)
