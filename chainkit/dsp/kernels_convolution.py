"""Fast convolution of many blocks at once: self-contained loops, caller allocates.

Each loop runs over `PAIRS` pairs of blocks side by side. A pair is one complex signal, and a row of
the work array is one complex value of every pair: `PAIRS` real parts, then `PAIRS` imaginary ones.
Offsets are unsigned, since an index that may be negative keeps the compiler from handling pairs
together.
"""

from __future__ import annotations

import numpy as np
from numba import njit

PAIRS = 32  # fewer than that are not handled together
ROW = 2 * PAIRS
_NEAR = 64  # rows that stay in the nearest cache, 32 kB


@njit(cache=True, nogil=True, error_model="numpy")
def fast_convolution(frames, reach, spectrum, factors, x, y):
    """Filter blocks of `frames` with a real spectrum, into `y`.

    Of a block's N frames the first and the last `reach` only help the others. One block is the
    real part and the next the imaginary part of a signal, and a filter with a real spectrum keeps
    the two apart. The transform goes by factors of 4 at its own place (J. W. Cooley, J. W. Tukey,
    "An algorithm for the machine calculation of complex Fourier series", Math. Comp. 19, 1965);
    the frequencies come out in the order of reversed digits and go back in it.

    Parameters
    ----------
    frames : float64 (channels, 2 reach + frames of y, or more)
    reach : int
    spectrum : float64 (N,), in the order of reversed digits, divided by N
    factors : float64
        For each length N, N / 4, … 4, each place p below a quarter of it and each j from 1 to 3:
        cosine and sine of −2π·p·j / length.
    x : float64 (N · `ROW`,), overwritten
    y : float64 (frames, channels), out
        Frames are a multiple of 2 · `PAIRS` · (N − 2 reach).
    """
    hop = x.size // ROW - 2 * reach
    stride = 2 * PAIRS * hop
    for begin in range(0, y.shape[0], stride):
        for channel in range(y.shape[1]):
            _load(frames[channel][begin:], hop, x)
            _transform(x, factors)
            _weigh(spectrum, x)
            _transform_back(x, factors)
            _unload(x, reach, hop, channel, y[begin : begin + stride])


@njit(cache=True, nogil=True, error_model="numpy")
def _load(row, hop, x):
    for n in range(x.size // ROW):
        for pair in range(PAIRS):
            place = np.uint64(2 * pair * hop + n)
            x[n * ROW + pair] = row[place]
            x[n * ROW + PAIRS + pair] = row[place + np.uint64(hop)]


@njit(cache=True, nogil=True, error_model="numpy")
def _unload(x, reach, hop, channel, y):
    for n in range(hop):
        for pair in range(PAIRS):
            place = np.uint64(2 * pair * hop + n)
            y[place, channel] = x[(reach + n) * ROW + pair]
            y[place + np.uint64(hop), channel] = x[(reach + n) * ROW + PAIRS + pair]


@njit(cache=True, nogil=True, error_model="numpy")
def _weigh(spectrum, x):
    for n in range(spectrum.size):
        weight = spectrum[n]
        for column in range(ROW):
            x[np.uint64(n * ROW + column)] *= weight


@njit(cache=True, nogil=True, error_model="numpy")
def _four(x, a, b, c, d, w):
    """Transform of four rows, then the last three turned by the factors `w` (cos, sin, …)."""
    br_, bi_, cr_, ci_, dr_, di_ = w
    for pair in range(PAIRS):
        q, v = np.uint64(pair), np.uint64(pair + PAIRS)
        ar, ai, br, bi = x[a + q], x[a + v], x[b + q], x[b + v]
        cr, ci, dr, di = x[c + q], x[c + v], x[d + q], x[d + v]
        pr, pi, mr, mi = ar + cr, ai + ci, ar - cr, ai - ci
        sr, si, tr, ti = br + dr, bi + di, br - dr, bi - di
        er, ei, fr, fi, gr, gi = mr + ti, mi - tr, pr - sr, pi - si, mr - ti, mi + tr
        x[a + q], x[a + v] = pr + sr, pi + si
        x[b + q], x[b + v] = er * br_ - ei * bi_, er * bi_ + ei * br_
        x[c + q], x[c + v] = fr * cr_ - fi * ci_, fr * ci_ + fi * cr_
        x[d + q], x[d + v] = gr * dr_ - gi * di_, gr * di_ + gi * dr_


@njit(cache=True, nogil=True, error_model="numpy")
def _four_back(x, a, b, c, d, w):
    """Undo `_four`, but for a factor of 4."""
    br_, bi_, cr_, ci_, dr_, di_ = w
    for pair in range(PAIRS):
        q, v = np.uint64(pair), np.uint64(pair + PAIRS)
        ar, ai, br, bi = x[a + q], x[a + v], x[b + q], x[b + v]
        cr, ci, dr, di = x[c + q], x[c + v], x[d + q], x[d + v]
        er, ei = br * br_ + bi * bi_, bi * br_ - br * bi_
        fr, fi = cr * cr_ + ci * ci_, ci * cr_ - cr * ci_
        gr, gi = dr * dr_ + di * di_, di * dr_ - dr * di_
        pr, pi, mr, mi = ar + fr, ai + fi, ar - fr, ai - fi
        sr, si, tr, ti = er + gr, ei + gi, er - gr, ei - gi
        x[a + q], x[a + v] = pr + sr, pi + si
        x[b + q], x[b + v] = mr - ti, mi + tr
        x[c + q], x[c + v] = pr - sr, pi - si
        x[d + q], x[d + v] = mr + ti, mi - tr


@njit(cache=True, nogil=True, error_model="numpy")
def _step(x, begin, end, length, factors, used):
    """One step of the transform: rows in blocks of `length`."""
    part = length // 4
    step = np.uint64(part * ROW)
    for place in range(part):
        f = used + 6 * place
        w = (
            factors[f], factors[f + 1], factors[f + 2],
            factors[f + 3], factors[f + 4], factors[f + 5],
        )  # fmt: skip
        for start in range(begin + place, end, length):
            a = np.uint64(start * ROW)
            _four(x, a, a + step, a + step + step, a + step + step + step, w)


@njit(cache=True, nogil=True, error_model="numpy")
def _step_back(x, begin, end, length, factors, used):
    """Undo `_step`, but for a factor of 4."""
    part = length // 4
    step = np.uint64(part * ROW)
    for place in range(part):
        f = used + 6 * place
        w = (
            factors[f], factors[f + 1], factors[f + 2],
            factors[f + 3], factors[f + 4], factors[f + 5],
        )  # fmt: skip
        for start in range(begin + place, end, length):
            a = np.uint64(start * ROW)
            _four_back(x, a, a + step, a + step + step, a + step + step + step, w)


@njit(cache=True, nogil=True, error_model="numpy")
def _transform(x, factors):
    """Step after step; what fits the nearest cache is done with while it is there."""
    rows = x.size // ROW
    near, used = rows, 0
    while near > _NEAR:
        _step(x, 0, rows, near, factors, used)
        used += 6 * (near // 4)
        near //= 4
    for begin in range(0, rows, near):
        length, here = near, used
        while length > 1:
            _step(x, begin, begin + near, length, factors, here)
            here += 6 * (length // 4)
            length //= 4


@njit(cache=True, nogil=True, error_model="numpy")
def _transform_back(x, factors):
    """Undo `_transform`, but for a factor of as many as there are rows."""
    rows = x.size // ROW
    near = rows
    while near > _NEAR:
        near //= 4
    used = factors.size
    for begin in range(0, rows, near):
        length, here = 4, factors.size
        while length <= near:
            here -= 6 * (length // 4)
            _step_back(x, begin, begin + near, length, factors, here)
            length *= 4
        used = here
    length = 4 * near
    while length <= rows:
        used -= 6 * (length // 4)
        _step_back(x, 0, rows, length, factors, used)
        length *= 4
