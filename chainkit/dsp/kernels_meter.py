"""Numba loops of the meters: self-contained, caller allocates, no fault is raised here.

Every sum runs frame by frame in one fixed order, so that the bits do not depend on how the
signal was cut into blocks.
"""

from __future__ import annotations

import numpy as np
from numba import njit

QUIET = 1e-30  # a filter memory below this (−600 dB) is set to zero: no denormals
ROUNDING = 2.0**-51  # of an offset's squares, for each frame: the most that may seem left of them


@njit(cache=True, nogil=True, error_model="numpy")
def hop_end(hop, rate, hops_a_second):
    """First frame behind hop number `hop`, rounded to the nearest frame."""
    return ((hop + 1) * rate + hops_a_second // 2) // hops_a_second


@njit(cache=True, nogil=True, error_model="numpy")
def _keep(state, a, b, c, d, e, f):
    state[0], state[1], state[2], state[3], state[4], state[5] = a, b, c, d, e, f


@njit(cache=True, nogil=True, error_model="numpy")
def _weigh_one(x, c, state, total):
    """Shelf (of unit b0) and second difference, both recursive, on one channel; adds up squares.

    Direct form I keeps the loop-carried path at one product and one sum.
    """
    b1, b2, a1, a2, e1, e2 = c
    x1, x2, y1, y2, z1, z2 = state
    for n in range(len(x)):
        x0 = x[n]
        y0 = ((x0 + b1 * x1 + b2 * x2) - a2 * y2) - a1 * y1
        z0 = (((y0 - y1) - (y1 - y2)) - e2 * z2) - e1 * z1
        total += z0 * z0
        x2, x1, y2, y1, z2, z1 = x1, x0, y1, y0, z1, z0
    _keep(state, x1, x2, y1, y2, z1, z2)
    return total


@njit(cache=True, nogil=True, error_model="numpy")
def _weigh_two(x, u, c, state, other, one, two):
    """`_weigh_one` for two neighbouring channels at once: the two paths overlap in time."""
    b1, b2, a1, a2, e1, e2 = c
    x1, x2, y1, y2, z1, z2 = state
    u1, u2, v1, v2, w1, w2 = other
    for n in range(len(x)):
        x0, u0 = x[n], u[n]
        y0 = ((x0 + b1 * x1 + b2 * x2) - a2 * y2) - a1 * y1
        v0 = ((u0 + b1 * u1 + b2 * u2) - a2 * v2) - a1 * v1
        z0 = (((y0 - y1) - (y1 - y2)) - e2 * z2) - e1 * z1
        w0 = (((v0 - v1) - (v1 - v2)) - e2 * w2) - e1 * w1
        one += z0 * z0
        two += w0 * w0
        x2, x1, y2, y1, z2, z1 = x1, x0, y1, y0, z1, z0
        u2, u1, v2, v1, w2, w1 = u1, u0, v1, v0, w1, w0
    _keep(state, x1, x2, y1, y2, z1, z2)
    _keep(other, u1, u2, v1, v2, w1, w2)
    return one, two


@njit(cache=True, nogil=True, error_model="numpy")
def _copy(values, out):
    for n in range(len(values)):
        out[n] = values[n]


@njit(cache=True, nogil=True, error_model="numpy")
def _part_channels(x, lanes):
    """Copy frames to a lane a channel.

    The filters work through their input so slowly that the processor does not look far ahead; a
    copy has many reads under way at once, and took half of the time away where memory is slow.
    """
    for channel in range(x.shape[1]):
        _copy(x[:, channel], lanes[channel])


@njit(cache=True, nogil=True, error_model="numpy")
def _close(gain, frames, state, sums, powers):
    """Mean squares of a hop, whose sums start again at zero; drops decayed states."""
    for channel in range(len(sums)):
        powers[channel] = gain * sums[channel] / frames
        sums[channel] = 0.0
        for i in range(state.shape[1]):
            if abs(state[channel, i]) < QUIET:
                state[channel, i] = 0.0


@njit(cache=True, nogil=True, error_model="numpy")
def weighted_energy(x, coefficients, gain, rate, hops_a_second, place, state, sums, lanes, out):
    """Mean square of each filtered channel in each completed hop.

    Parameters
    ----------
    x : ndarray, (frames, channels)
    coefficients : tuple of float
        b1, b2, a1, a2 of the first section, whose b0 is 1, and a1, a2 of the second, whose
        numerator is 1, −2, 1.
    gain : float
        Factor on power.
    place : int64 ndarray, (2,)
        Frames seen and hops completed so far; updated.
    state, sums : ndarray, (channels, 6) and (channels,)
        Last two values of input, first and second section, and the open hop's sums; updated.
    lanes : ndarray, (channels, frames of the longest hop)
        Room to work in.
    out : ndarray, (hops, channels)
        Receives the mean squares.

    Returns
    -------
    int
        How many hops were completed.
    """
    frames, channels = x.shape
    start, count = 0, 0
    while start < frames:
        first = hop_end(place[1] - 1, rate, hops_a_second)
        end = hop_end(place[1], rate, hops_a_second)
        stop = min(frames, end - place[0])
        part = lanes[:, : stop - start]
        _part_channels(x[start:stop], part)
        for a in range(0, channels - 1, 2):
            b = a + 1
            sums[a], sums[b] = _weigh_two(
                part[a], part[b], coefficients, state[a], state[b], sums[a], sums[b]
            )
        if channels % 2:
            sums[-1] = _weigh_one(part[-1], coefficients, state[-1], sums[-1])
        if stop == end - place[0]:
            _close(gain, end - first, state, sums, out[count])
            count += 1
            place[1] += 1
        start = stop
    place[0] += frames
    return count


HALVING = 16  # taps in one half of the 2-fold interpolator
REACH = HALVING + 3  # frames that both interpolators touch on each side
GROUP = 256  # frames that are passed over or examined together


@njit(cache=True, nogil=True, error_model="numpy")
def _greatest(values):
    """Greatest |value|; eight running maxima, so that no one waits for the last."""
    a = b = c = d = e = f = g = h = np.float32(0.0)
    n, stop = 0, len(values)
    while n + 8 <= stop:
        a = max(a, abs(values[n]))
        b = max(b, abs(values[n + 1]))
        c = max(c, abs(values[n + 2]))
        d = max(d, abs(values[n + 3]))
        e = max(e, abs(values[n + 4]))
        f = max(f, abs(values[n + 5]))
        g = max(g, abs(values[n + 6]))
        h = max(h, abs(values[n + 7]))
        n += 8
    for i in range(n, stop):
        a = max(a, abs(values[i]))
    return max(max(max(a, b), max(c, d)), max(max(e, f), max(g, h)))


@njit(cache=True, nogil=True, error_model="numpy")
def _halve(window, taps, out):
    """Values half-way between frames, each from the `HALVING` frames on both sides of it.

    A number of taps that is known to the compiler and indexes that cannot be negative are what
    lets it examine several frames at once.
    """
    for n in range(len(out)):
        total = taps[0] * (window[n + HALVING - 1] + window[n + HALVING])
        for j in range(1, HALVING):
            total += taps[j] * (window[n + HALVING - 1 - j] + window[n + HALVING + j])
        out[n] = total


@njit(cache=True, nogil=True, error_model="numpy")
def _eighths(a3, a2, a1, a0, b0, b1, b2, b3, middle, even, odd):
    """Greatest |value| at 1/4, 1/2 and 3/4 between a0 and b0.

    With sums e and differences d of the values that mirror each other, the quarter points are
    Σ even·e ± Σ odd·d, so the greater of the two is the sum of the magnitudes.
    """
    e0, e1, e2, e3 = a0 + b0, a1 + b1, a2 + b2, a3 + b3
    half = middle[0] * e0 + middle[1] * e1 + middle[2] * e2 + middle[3] * e3
    same = even[0] * e0 + even[1] * e1 + even[2] * e2 + even[3] * e3
    other = odd[0] * (a0 - b0) + odd[1] * (a1 - b1) + odd[2] * (a2 - b2) + odd[3] * (a3 - b3)
    return max(abs(half), abs(same) + abs(other))


@njit(cache=True, nogil=True, error_model="numpy")
def _refine(x, half, middle, even, odd, out):
    """Greatest |value| between each frame and the next, in steps of an eighth.

    Frame n is `x[n + 1]`, the value behind it `half[n + 2]`.
    """
    for n in range(len(out)):
        one = _eighths(
            half[n], x[n], half[n + 1], x[n + 1],
            half[n + 2], x[n + 2], half[n + 3], x[n + 3], middle, even, odd,
        )  # fmt: skip
        two = _eighths(
            x[n], half[n + 1], x[n + 1], half[n + 2],
            x[n + 2], half[n + 3], x[n + 3], half[n + 4], middle, even, odd,
        )  # fmt: skip
        out[n] = max(one, two)


@njit(cache=True, nogil=True, error_model="numpy")
def _lane_peak(lane, scratch, halving, middle, even, odd, bounds, peak):
    """`true_peak` of one stretch of one channel, `REACH` frames at both ends not examined."""
    half, fine = scratch[0], scratch[1]
    for first in range(REACH, len(lane) - REACH, GROUP):
        last = min(first + GROUP, len(lane) - REACH)
        top = _greatest(lane[first - REACH : last + REACH])
        if top * bounds[0] < peak:
            continue
        halves, near = half[: last - first + 4], lane[first - 1 : last + 3]
        _halve(lane[first - HALVING - 1 : last + HALVING + 2], halving, halves)
        coarse = max(top, _greatest(halves))
        peak = max(peak, coarse)
        if coarse * bounds[1] >= peak:
            _refine(near, halves, middle, even, odd, fine[: last - first])
            peak = max(peak, _greatest(fine[: last - first]))
    return peak


@njit(cache=True, nogil=True, error_model="numpy")
def true_peak(x, lane, scratch, tail, halving, middle, even, odd, bounds, peak):
    """Greatest |value| of the 8-fold over-sampled signal, not less than `peak`.

    A group of frames is passed over when no filter could lift it above the peak so far: the
    bound is the sum of the magnitudes of the taps times the greatest magnitude they touch. So
    the result is that of examining each group.

    Parameters
    ----------
    x : ndarray, (frames,)
        The next frames of one channel.
    lane, scratch : float32 ndarray, (2 · `REACH` + any,) and (2, `GROUP` + 4)
        Room to work in.
    tail : float32 ndarray, (2 · `REACH`,)
        The frames before, of which the latter half is still to be examined; updated.
    halving : float32 ndarray, (`HALVING`,)
        One half of the symmetric 2-fold interpolator.
    middle, even, odd : float32 ndarray, (4,)
        The 4-fold interpolator behind it.
    bounds : tuple of float
        Greatest gain of both interpolators together, and of the second one.
    peak : float
        Greatest magnitude so far.
    """
    room = len(lane) - len(tail)
    for start in range(0, len(x), room):
        part = x[start : start + room]
        used = len(tail) + len(part)
        lane[: len(tail)] = tail
        _copy(part, lane[len(tail) : used])
        peak = _lane_peak(lane[:used], scratch, halving, middle, even, odd, bounds, peak)
        tail[:] = lane[used - len(tail) : used]
    return peak


@njit(cache=True, nogil=True, error_model="numpy")
def _tally_channel(x, totals, run, ceiling, shortest, at):
    """Peak, sum and squares of the open hop, and clipped runs, of one channel's part of a hop."""
    peak, square, total, before, length = totals[1], totals[2], totals[3], totals[4], run[0]
    for n in range(len(x)):
        value = x[n]
        total += value
        square += value * value
        size = abs(value)
        peak = size if size > peak else peak
        length = length + 1 if value == before else 1
        before = value
        if length == shortest and size >= ceiling:
            run[1] += 1
            if run[2] < 0:
                run[2] = at + n - shortest + 1
    totals[1], totals[2], totals[3], totals[4], run[0] = peak, square, total, before, length


@njit(cache=True, nogil=True, error_model="numpy")
def _close_window(totals, frames, squares):
    """Mean square of a hop about each channel's mean; its open sums start again at zero."""
    power = 0.0
    for channel in range(len(totals)):
        square, total = totals[channel, 2], totals[channel, 3]
        spread = square - total * total / frames
        # What rounding leaves of an offset is silence.
        power += spread if spread > ROUNDING * frames * square else 0.0
        squares[0] += square
        totals[channel, 0] += total
        totals[channel, 2], totals[channel, 3] = 0.0, 0.0
    return power / (frames * len(totals))


@njit(cache=True, nogil=True, error_model="numpy")
def tally(x, rate, hops_a_second, place, totals, runs, squares, ceiling, shortest, out):
    """Running sums, peaks and clipped runs of each channel; level of each completed hop.

    Parameters
    ----------
    x : ndarray, (frames, channels)
    place : int64 ndarray, (2,)
        Frames seen and hops completed so far; updated.
    totals : ndarray, (channels, 5)
        Sum of all completed hops, peak, squares and sum of the open hop, last value; updated.
    runs : int64 ndarray, (channels, 3)
        Length of the open run of equal values, clipped runs so far, first frame of the first of
        them or −1; updated.
    squares : ndarray, (1,)
        Squares of all completed hops; updated.
    ceiling : float
        Magnitude from which a run of equal values is clipped: waves above full scale, as a file of
        floats can hold them, are whole.
    shortest : int
        Frames that make a run.
    out : ndarray
        Receives the mean square about the mean, averaged over the channels, one a hop.

    Returns
    -------
    int
        How many hops were completed.
    """
    frames, channels = x.shape
    start, count = 0, 0
    while start < frames:
        first = hop_end(place[1] - 1, rate, hops_a_second)
        end = hop_end(place[1], rate, hops_a_second)
        stop = min(frames, end - place[0])
        for channel in range(channels):
            _tally_channel(
                x[start:stop, channel], totals[channel], runs[channel], ceiling, shortest,
                place[0] + start,
            )  # fmt: skip
        if stop == end - place[0]:
            out[count] = _close_window(totals, end - first, squares)
            count += 1
            place[1] += 1
        start = stop
    place[0] += frames
    return count
