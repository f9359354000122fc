"""Fourier transforms of many windows at once: self-contained loops, caller allocates.

Each loop runs over `LANES` windows side by side, which the processor handles eight at a time. A row
of the work array is one complex value of every window: `LANES` real parts, then `LANES` imaginary
ones, in single precision. Offsets are unsigned, since an index that may be negative keeps the
compiler from handling lanes together.
"""

from __future__ import annotations

import numpy as np
from numba import njit

LANES = 48  # windows; loops over 32 take a sixth longer, 64 take memory and 128 leave the cache
ROW = 2 * LANES
_NEAR = 85  # rows that stay in the nearest cache, 32 kB
_ONE = np.uint64(1)
_LANES = np.uint64(LANES)


@njit(cache=True, nogil=True, error_model="numpy")
def _two(x, a, b, w):
    """Transform of two rows; like the others it turns all but the first by the factors `w`."""
    br_, bi_ = w
    for lane in range(LANES):
        q, v = np.uint64(lane), np.uint64(lane + LANES)
        ar, ai, br, bi = x[a + q], x[a + v], x[b + q], x[b + v]
        er, ei = ar - br, ai - bi
        x[a + q], x[a + v] = ar + br, ai + bi
        x[b + q], x[b + v] = er * br_ - ei * bi_, er * bi_ + ei * br_


_HALF, _HEIGHT = np.float32(0.5), np.float32(np.sqrt(0.75))


@njit(cache=True, nogil=True, error_model="numpy")
def _three(x, a, b, c, w):
    """Transform of three rows."""
    br_, bi_, cr_, ci_ = w
    for lane in range(LANES):
        q, v = np.uint64(lane), np.uint64(lane + LANES)
        ar, ai, br, bi, cr, ci = x[a + q], x[a + v], x[b + q], x[b + v], x[c + q], x[c + v]
        sr, si, tr, ti = br + cr, bi + ci, _HEIGHT * (br - cr), _HEIGHT * (bi - ci)
        mr, mi = ar - _HALF * sr, ai - _HALF * si
        er, ei, fr, fi = mr + ti, mi - tr, mr - ti, mi + tr
        x[a + q], x[a + v] = ar + sr, ai + si
        x[b + q], x[b + v] = er * br_ - ei * bi_, er * bi_ + ei * br_
        x[c + q], x[c + v] = fr * cr_ - fi * ci_, fr * ci_ + fi * cr_


@njit(cache=True, nogil=True, error_model="numpy")
def _four(x, a, b, c, d, w):
    """Transform of four rows."""
    br_, bi_, cr_, ci_, dr_, di_ = w
    for lane in range(LANES):
        q, v = np.uint64(lane), np.uint64(lane + LANES)
        ar, ai, br, bi = x[a + q], x[a + v], x[b + q], x[b + v]
        cr, ci, dr, di = x[c + q], x[c + v], x[d + q], x[d + v]
        pr, pi, mr, mi = ar + cr, ai + ci, ar - cr, ai - ci
        sr, si, tr, ti = br + dr, bi + di, br - dr, bi - di
        er, ei, fr, fi, gr, gi = mr + ti, mi - tr, pr - sr, pi - si, mr - ti, mi + tr
        x[a + q], x[a + v] = pr + sr, pi + si
        x[b + q], x[b + v] = er * br_ - ei * bi_, er * bi_ + ei * br_
        x[c + q], x[c + v] = fr * cr_ - fi * ci_, fr * ci_ + fi * cr_
        x[d + q], x[d + v] = gr * dr_ - gi * di_, gr * di_ + gi * dr_


_COS1, _SIN1 = np.float32(np.cos(0.4 * np.pi)), np.float32(np.sin(0.4 * np.pi))
_COS2, _SIN2 = np.float32(np.cos(0.8 * np.pi)), np.float32(np.sin(0.8 * np.pi))


@njit(cache=True, nogil=True, error_model="numpy")
def _five(x, a, b, c, d, e, w):
    """Transform of five rows."""
    br_, bi_, cr_, ci_, dr_, di_, er_, ei_ = w
    for lane in range(LANES):
        q, v = np.uint64(lane), np.uint64(lane + LANES)
        ar, ai, br, bi, cr, ci = x[a + q], x[a + v], x[b + q], x[b + v], x[c + q], x[c + v]
        dr, di, er, ei = x[d + q], x[d + v], x[e + q], x[e + v]
        pr, pi, mr, mi = br + er, bi + ei, br - er, bi - ei
        qr, qi, nr, ni = cr + dr, ci + di, cr - dr, ci - di
        sr, si = ar + _COS1 * pr + _COS2 * qr, ai + _COS1 * pi + _COS2 * qi
        tr, ti = ar + _COS2 * pr + _COS1 * qr, ai + _COS2 * pi + _COS1 * qi
        ur, ui = _SIN1 * mr + _SIN2 * nr, _SIN1 * mi + _SIN2 * ni
        vr, vi = _SIN2 * mr - _SIN1 * nr, _SIN2 * mi - _SIN1 * ni
        br, bi, er, ei = sr + ui, si - ur, sr - ui, si + ur
        cr, ci, dr, di = tr + vi, ti - vr, tr - vi, ti + vr
        x[a + q], x[a + v] = ar + pr + qr, ai + pi + qi
        x[b + q], x[b + v] = br * br_ - bi * bi_, br * bi_ + bi * br_
        x[c + q], x[c + v] = cr * cr_ - ci * ci_, cr * ci_ + ci * cr_
        x[d + q], x[d + v] = dr * dr_ - di * di_, dr * di_ + di * dr_
        x[e + q], x[e + v] = er * er_ - ei * ei_, er * ei_ + ei * er_


@njit(cache=True, nogil=True, error_model="numpy")
def _by_two(x, begin, end, length, factors, used):
    """One step of the transform: rows in blocks of `length`, each by factors of 2."""
    part = length // 2
    step = np.uint64(part * ROW)
    for place in range(part):
        f = used + 2 * place
        w = (factors[f], factors[f + 1])
        for start in range(begin + place, end, length):
            a = np.uint64(start * ROW)
            _two(x, a, a + step, w)


@njit(cache=True, nogil=True, error_model="numpy")
def _by_three(x, begin, end, length, factors, used):
    """The same by factors of 3."""
    part = length // 3
    step = np.uint64(part * ROW)
    for place in range(part):
        f = used + 4 * place
        w = (factors[f], factors[f + 1], factors[f + 2], factors[f + 3])
        for start in range(begin + place, end, length):
            a = np.uint64(start * ROW)
            _three(x, a, a + step, a + step * np.uint64(2), w)


@njit(cache=True, nogil=True, error_model="numpy")
def _by_four(x, begin, end, length, factors, used):
    """The same by factors of 4."""
    part = length // 4
    step = np.uint64(part * ROW)
    for place in range(part):
        f = used + 6 * place
        w = (
            factors[f],
            factors[f + 1],
            factors[f + 2],
            factors[f + 3],
            factors[f + 4],
            factors[f + 5],
        )
        for start in range(begin + place, end, length):
            a = np.uint64(start * ROW)
            _four(x, a, a + step, a + step * np.uint64(2), a + step * np.uint64(3), w)


@njit(cache=True, nogil=True, error_model="numpy")
def _by_five(x, begin, end, length, factors, used):
    """The same by factors of 5."""
    part = length // 5
    step = np.uint64(part * ROW)
    for place in range(part):
        f = used + 8 * place
        w = (
            factors[f],
            factors[f + 1],
            factors[f + 2],
            factors[f + 3],
            factors[f + 4],
            factors[f + 5],
            factors[f + 6],
            factors[f + 7],
        )
        for start in range(begin + place, end, length):
            a = np.uint64(start * ROW)
            _five(
                x,
                a,
                a + step,
                a + step * np.uint64(2),
                a + step * np.uint64(3),
                a + step * np.uint64(4),
                w,
            )


@njit(cache=True, nogil=True, error_model="numpy")
def transform(x, radices, factors):
    """Transform in place; the frequencies come out in the order of reversed digits.

    A block is done with, step after step, while it is in the processor's nearest cache, and what it
    is a part of only when its first block is due. No loop takes a part of an array or hands one on
    by way of a branch: each of these counts references, atomically, which took a quarter of the
    time.

    Parameters
    ----------
    x : float32 ndarray, (length · `ROW`,)
    radices : int64 ndarray
        2 to 5; their product is the length.
    factors : float32 ndarray
        For each radix, each place p below length / radix and each j from 1 to radix − 1: cosine
        and sine of −2π·p·j / length; the length is divided by each radix.
    """
    rows = len(x) // ROW
    block = rows
    for radix in radices:
        if block > _NEAR:
            block //= radix
    for begin in range(0, rows, block):
        length, used = rows, 0
        for radix in radices:
            size = max(length, block)
            if begin % size == 0:
                if radix == 4:
                    _by_four(x, begin, begin + size, length, factors, used)
                elif radix == 5:
                    _by_five(x, begin, begin + size, length, factors, used)
                elif radix == 3:
                    _by_three(x, begin, begin + size, length, factors, used)
                else:
                    _by_two(x, begin, begin + size, length, factors, used)
            length //= radix
            used += 2 * (radix - 1) * length


@njit(cache=True, nogil=True, error_model="numpy")
def load(signal, starts, window, x):
    """Put windows of a signal into the lanes, even samples as real, odd as imaginary parts."""
    for n in range(len(window) // 2):
        even, odd = window[2 * n], window[2 * n + 1]
        for lane in range(LANES):
            place = np.uint64(starts[lane] + 2 * n)
            x[n * ROW + lane] = signal[place] * even
            x[n * ROW + LANES + lane] = signal[place + _ONE] * odd


@njit(cache=True, nogil=True, error_model="numpy")
def _two_powers(x, a, b, c, s, out, low, high):
    """Powers of two frequencies that mirror each other, added to the rows `low` and `high`.

    With E and O the transforms of the even and the odd samples and V = O·(c + i·s) they are
    |E + V|² and |E − V|²; E and O are found from the complex values Z at `a` and its mirror `b`:
    2·E = Z_a + Z_b*, 2·O = −i·(Z_a − Z_b*).
    """
    half = np.float32(0.5)
    for lane in range(LANES):
        q, v = np.uint64(lane), np.uint64(lane + LANES)
        ar, ai, br, bi = x[a + q], x[a + v], x[b + q], x[b + v]
        er, ei, our, oi = half * (ar + br), half * (ai - bi), half * (ai + bi), half * (br - ar)
        vr, vi = our * c - oi * s, our * s + oi * c
        pr, pi, mr, mi = er + vr, ei + vi, er - vr, ei - vi
        out[low + q] += pr * pr + pi * pi
        out[high + q] += mr * mr + mi * mi


@njit(cache=True, nogil=True, error_model="numpy")
def add_powers(x, order, turns, out):
    """Add the squared magnitudes of what `load` and `transform` made of real windows.

    Parameters
    ----------
    x : float32 ndarray, (half · `ROW`,)
    order : int64 ndarray, (half,)
        Row of each frequency.
    turns : float32 ndarray, (half // 2 + 1, 2)
        Cosine and sine of −2π·k / (2 · half).
    out : float32 ndarray, ((half + 1) · `LANES`,)
        A row of lanes a frequency from 0 to half.
    """
    half = len(order)
    for k in range(half // 2 + 1):
        a, b = np.uint64(order[k] * ROW), np.uint64(order[(half - k) % half] * ROW)
        low, high = np.uint64(k) * _LANES, np.uint64(half - k) * _LANES
        if low == high:  # the middle is its own mirror
            _middle_power(x, a, out, low)
        else:
            _two_powers(x, a, b, turns[k, 0], turns[k, 1], out, low, high)


@njit(cache=True, nogil=True, error_model="numpy")
def _middle_power(x, a, out, at):
    for lane in range(LANES):
        q, v = np.uint64(lane), np.uint64(lane + LANES)
        out[at + q] += x[a + q] * x[a + q] + x[a + v] * x[a + v]


@njit(cache=True, nogil=True, error_model="numpy")
def _add_row(power, row, share, total):
    for lane in range(LANES):
        q = np.uint64(lane)
        total[q] += share * power[np.uint64(row) * _LANES + q]


@njit(cache=True, nogil=True, error_model="numpy")
def share(power, bins, parts, scale, total, out):
    """Power of each band: a bin that an edge cuts goes to both sides in proportion.

    Parameters
    ----------
    power : float32 ndarray, (bins · `LANES`,)
    bins, parts : int64 and float32 ndarray, (bands + 1,)
        Bin that each edge cuts, and how much of it lies below the edge.
    scale : float32
        Factor on the power.
    total : float32 ndarray, (`LANES`,)
        Room to work in.
    out : float32 ndarray, (`LANES`, bands)
    """
    for band in range(len(bins) - 1):
        first, last = bins[band], bins[band + 1]
        for lane in range(LANES):
            total[np.uint64(lane)] = np.float32(0.0)
        if first == last:
            _add_row(power, first, parts[band + 1] - parts[band], total)
        else:
            _add_row(power, first, np.float32(1.0) - parts[band], total)
            for row in range(first + 1, last):
                _add_row(power, row, np.float32(1.0), total)
            _add_row(power, last, parts[band + 1], total)
        for lane in range(LANES):
            out[lane, band] = total[lane] * scale


@njit(cache=True, nogil=True, error_model="numpy")
def band_powers(signal, starts, window, transforming, bins, parts, scale, power, total, out):
    """Power in bands of the windows that begin at `starts`, summed over the channels.

    Parameters
    ----------
    signal : float32 ndarray, (channels, frames)
    starts : int64 ndarray, (a multiple of `LANES`,)
    window : float32 ndarray, (2 · half,)
    transforming : tuple of ndarray
        What `load`, `transform` and `add_powers` need: work, radices, factors, order, turns.
    bins, parts, scale, total
        See `share`.
    power : float32 ndarray, ((half + 1) · `LANES`,)
        Room to work in.
    out : float32 ndarray, (len(starts), bands)
    """
    x, radices, factors, order, turns = transforming
    for first in range(0, len(starts), LANES):
        power[:] = np.float32(0.0)
        for channel in range(len(signal)):
            load(signal[channel], starts[first : first + LANES], window, x)
            transform(x, radices, factors)
            add_powers(x, order, turns, power)
        share(power, bins, parts, scale, total, out[first : first + LANES])
