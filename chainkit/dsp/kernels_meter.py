"""Numba loops of the meters: self-contained, caller allocates, no fault is raised here.

Every sum runs frame by frame in one fixed order, so that the bits do not depend on how the
signal was cut into blocks.
"""

from __future__ import annotations

from numba import njit

QUIET = 1e-30  # a filter memory below this (−600 dB) is set to zero: no denormals


@njit(cache=True, nogil=True, error_model="numpy")
def hop_end(hop, rate, hops_a_second):
    """First frame behind hop number `hop`, rounded to the nearest frame."""
    return ((hop + 1) * rate + hops_a_second // 2) // hops_a_second


@njit(cache=True, nogil=True, error_model="numpy")
def _weigh_one(x, start, stop, channel, c, state, sums):
    """Two biquads in direct form I on one channel; adds up the squares of the result.

    Direct form I keeps the loop-carried path at one product and one sum; the states are
    x[n−1], x[n−2], y[n−1], y[n−2], z[n−1], z[n−2] of input, first and second section.
    """
    b0, b1, b2, a1, a2 = c[0, 0], c[0, 1], c[0, 2], c[0, 4], c[0, 5]
    d0, d1, d2, e1, e2 = c[1, 0], c[1, 1], c[1, 2], c[1, 4], c[1, 5]
    x1, x2, y1 = state[channel, 0], state[channel, 1], state[channel, 2]
    y2, z1, z2 = state[channel, 3], state[channel, 4], state[channel, 5]
    total = sums[channel]
    for n in range(start, stop):
        x0 = x[n, channel]
        y0 = ((b0 * x0 + b1 * x1 + b2 * x2) - a2 * y2) - a1 * y1
        z0 = ((d0 * y0 + d1 * y1 + d2 * y2) - e2 * z2) - e1 * z1
        total += z0 * z0
        x2, x1, y2, y1, z2, z1 = x1, x0, y1, y0, z1, z0
    state[channel, 0], state[channel, 1], state[channel, 2] = x1, x2, y1
    state[channel, 3], state[channel, 4], state[channel, 5] = y2, z1, z2
    sums[channel] = total


@njit(cache=True, nogil=True, error_model="numpy")
def _weigh_two(x, start, stop, channel, c, state, sums):
    """`_weigh_one` for two neighbouring channels at once: the two paths overlap in time."""
    b0, b1, b2, a1, a2 = c[0, 0], c[0, 1], c[0, 2], c[0, 4], c[0, 5]
    d0, d1, d2, e1, e2 = c[1, 0], c[1, 1], c[1, 2], c[1, 4], c[1, 5]
    p, q = channel, channel + 1
    x1, x2, y1, y2, z1, z2 = (
        state[p, 0], state[p, 1], state[p, 2], state[p, 3], state[p, 4], state[p, 5],
    )  # fmt: skip
    u1, u2, v1, v2, w1, w2 = (
        state[q, 0], state[q, 1], state[q, 2], state[q, 3], state[q, 4], state[q, 5],
    )  # fmt: skip
    one, two = sums[p], sums[q]
    for n in range(start, stop):
        x0, u0 = x[n, p], x[n, q]
        y0 = ((b0 * x0 + b1 * x1 + b2 * x2) - a2 * y2) - a1 * y1
        v0 = ((b0 * u0 + b1 * u1 + b2 * u2) - a2 * v2) - a1 * v1
        z0 = ((d0 * y0 + d1 * y1 + d2 * y2) - e2 * z2) - e1 * z1
        w0 = ((d0 * v0 + d1 * v1 + d2 * v2) - e2 * w2) - e1 * w1
        one += z0 * z0
        two += w0 * w0
        x2, x1, y2, y1, z2, z1 = x1, x0, y1, y0, z1, z0
        u2, u1, v2, v1, w2, w1 = u1, u0, v1, v0, w1, w0
    state[p, 0], state[p, 1], state[p, 2] = x1, x2, y1
    state[p, 3], state[p, 4], state[p, 5] = y2, z1, z2
    state[q, 0], state[q, 1], state[q, 2] = u1, u2, v1
    state[q, 3], state[q, 4], state[q, 5] = v2, w1, w2
    sums[p], sums[q] = one, two


@njit(cache=True, nogil=True, error_model="numpy")
def weighted_energy(x, coefficients, weights, rate, hops_a_second, place, state, sums, out):
    """Mean square of the filtered, channel-weighted signal in each completed hop.

    Parameters
    ----------
    x : ndarray, (frames, channels)
    coefficients : ndarray, (2, 6)
        Two sections b0, b1, b2, 1, a1, a2.
    weights : ndarray, (channels,)
    place : int64 ndarray, (1,)
        Frames seen so far; updated.
    state, sums : ndarray, (channels, 6) and (channels,)
        Filter memory and the open hop's sums; updated.
    out : ndarray
        Receives Σ weight · mean square, one a hop.

    Returns
    -------
    int
        How many hops were completed.
    """
    frames, channels = x.shape
    seen = place[0]
    hop = (seen * hops_a_second) // rate
    while hop_end(hop, rate, hops_a_second) <= seen:
        hop += 1
    while hop > 0 and hop_end(hop - 1, rate, hops_a_second) > seen:
        hop -= 1
    start, count = 0, 0
    while start < frames:
        end = hop_end(hop, rate, hops_a_second) - seen
        stop = min(frames, end)
        channel = 0
        while channel + 1 < channels:
            _weigh_two(x, start, stop, channel, coefficients, state, sums)
            channel += 2
        if channel < channels:
            _weigh_one(x, start, stop, channel, coefficients, state, sums)
        start = stop
        if stop == end:
            energy = 0.0
            first = hop_end(hop - 1, rate, hops_a_second) - seen
            for k in range(channels):
                energy += weights[k] * (sums[k] / (end - first))
                sums[k] = 0.0
                for i in range(6):
                    if abs(state[k, i]) < QUIET:
                        state[k, i] = 0.0
            out[count] = energy
            count += 1
            hop += 1
    place[0] = seen + frames
    return count
