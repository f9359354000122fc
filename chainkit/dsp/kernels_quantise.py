"""Loops of the quantiser. Plain loops, the caller allocates, nothing of ours is imported."""

from __future__ import annotations

import numpy as np
from numba import njit


@njit(cache=True, nogil=True, error_model="numpy")
def first_off_grid(x, scale):
    """Index of the first of `x`, (n,), that is no whole number times 1 / `scale`; n if all are."""
    for n in range(x.size):
        scaled = x[n] * scale
        if np.floor(scaled) != scaled:
            return n
    return x.size


@njit(cache=True, nogil=True, error_model="numpy")
def triangular(seed, index):
    """Triangular variable number `index` in (−1, 1): the halves of 64 random bits, subtracted.

    The bits are output number `index` of SplitMix64 from state `seed`: G. L. Steele, D. Lea,
    C. H. Flood, "Fast Splittable Pseudorandom Number Generators", OOPSLA 2014, mix64variant13.
    """
    bits = seed + np.uint64(index + 1) * np.uint64(0x9E3779B97F4A7C15)
    bits = (bits ^ (bits >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    bits = (bits ^ (bits >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    bits = bits ^ (bits >> np.uint64(31))
    high = np.float64(np.int64(bits >> np.uint64(32)))
    low = np.float64(np.int64(bits & np.uint64(0xFFFFFFFF)))
    return (high - low) * 2.0**-32


@njit(cache=True, nogil=True, error_model="numpy")
def quantise(x, scale, unit, dither, seed, start, codes):
    """Round samples to codes with dither; returns how many had to be held within the range.

    No branch in the loop, so that it runs on vectors; `tally_held` looks closer when it must.

    Parameters
    ----------
    x : float64 (n,), full scale ±1
    scale : float, codes at full scale, 2^(bits − 1)
    unit : float, what one code is worth in `codes`
    dither : float, 1 with dither, 0 without
    seed : uint64
    start : int, index of x[0] in the whole signal
    codes : int32 (n,), out, code · `unit`, held within −scale … scale − 1
    """
    count = 0
    for n in range(x.size):
        code = np.floor(x[n] * scale + dither * triangular(seed, start + n) + 0.5)
        held = min(max(code, -scale), scale - 1.0)
        codes[n] = np.int32(held * unit)
        count += held != code
    return count


@njit(cache=True, nogil=True, error_model="numpy")
def tally_held(x, scale, dither, seed, start):
    """First held sample, as an index into `x`, and the greatest |x · scale| of those held."""
    first = x.size
    peak = 0.0
    for n in range(x.size):
        code = np.floor(x[n] * scale + dither * triangular(seed, start + n) + 0.5)
        if code < -scale or code > scale - 1.0:
            first = min(first, n)
            peak = max(peak, abs(x[n] * scale))
    return first, peak


@njit(cache=True, nogil=True, error_model="numpy")
def pack_24(codes, data):
    """The upper 24 of 32 bits as bytes, the lowest first.

    Parameters
    ----------
    codes : int32 (n,)
    data : uint8 (3 n,), out
    """
    for n in range(codes.size):
        code = codes[n]
        data[3 * n] = np.uint8(code >> 8)
        data[3 * n + 1] = np.uint8(code >> 16)
        data[3 * n + 2] = np.uint8(code >> 24)


@njit(cache=True, nogil=True, error_model="numpy")
def unpack_24(data, x):
    """Samples, full scale ±1, from codes of three bytes each, the lowest first.

    Parameters
    ----------
    data : uint8 (3 n,)
    x : float64 (n,), out
    """
    for n in range(x.size):
        high = np.int32(data[3 * n + 2]) << 24
        code = high | np.int32(data[3 * n + 1]) << 16 | np.int32(data[3 * n]) << 8
        x[n] = np.int32(code) * 2.0**-31
