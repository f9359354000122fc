"""Loop that finds the stretches of hiss in a voice and measures them; the caller allocates."""

from __future__ import annotations

from numba import njit


@njit(cache=True, nogil=True, error_model="numpy")
def _last(place, step, end, curves, free, least):
    """Last hop on the way from `place` to `end` before one is taken or not above `least`."""
    level, ratio, centre = curves
    least_level, least_ratio, least_centre = least
    n = place + step
    while (
        n != end
        and free[n]
        and level[n] > least_level
        and ratio[n] > least_ratio
        and centre[n] > least_centre
    ):
        n += step
    return n - step


@njit(cache=True, nogil=True, error_model="numpy")
def _alike(seed, cap, rules, curves, free):
    """Start and stop of what resembles the seed, its rise out of silence included."""
    level, ratio, centre = curves
    reach, edge_level, edge_ratio, edge_fall, edge_centre, onset_level, onset_ratio = rules
    low, high = max(0, seed - reach) - 1, min(len(level), seed + reach)
    peak = level[max(0, seed - 1) : seed + 2].max()
    least_centre = edge_centre * centre[seed]
    least = (peak - edge_level, min(max(edge_ratio, ratio[seed] - edge_fall), cap), least_centre)
    start = _last(seed, -1, low, curves, free, least)
    stop = _last(seed, 1, high, curves, free, least) + 1
    if ratio[start] > onset_ratio:
        rising = (peak - onset_level, onset_ratio, least_centre)
        start = _last(start, -1, low, curves, free, rising)
    return start, stop


@njit(cache=True, nogil=True, error_model="numpy")
def _growth(hiss, first, stop):
    """Greatest factor, at least 1, by which the hiss grows within two hops."""
    factor = 1.0
    for n in range(max(2, first), stop):
        factor = max(factor, hiss[n] / hiss[n - 2])
    return factor


@njit(cache=True, nogil=True, error_model="numpy")
def _core(bands, level, least, core):
    """Mean spectrum of the hops above a level."""
    count = 0
    core[:] = 0.0
    for n in range(len(level)):
        if level[n] > least:
            count += 1
            for band in range(len(core)):
                core[band] += bands[n, band]
    core /= count


@njit(cache=True, nogil=True, error_model="numpy")
def find(
    seeds, curves, hiss, bands, rules, caps, lengths, core_level, free, events, figures, cores
):  # fmt: skip
    """Spread each seed as far as the hiss goes on being the same, the clearest first; measure.

    An event takes what it covers, and two hops on each side, away from later seeds. What grows
    long has probably taken a bright vowel along: its edges must be clearer.

    Parameters
    ----------
    seeds : int64 ndarray
        Hops, the clearest first.
    curves : tuple of ndarray, (hops,)
        Level in dB, ratio of hiss to vowel range in dB, and centre.
    hiss : ndarray, (hops,)
        Power, above zero.
    bands : float32 ndarray, (hops, bands)
    rules : tuple
        Hops on each side of a seed in which its event ends; it ends this far below the level of
        its peak in dB, at this ratio, or this far below the seed's where that is higher, and at
        this share of the seed's centre; ahead of that it starts as long as it is above this, dB
        below its peak and ratio.
    caps : tuple of float, dB
        The ratio at which an event ends is never above this, for any event and for a long one.
    lengths : tuple of int, hops
        Above which an event is long, below which it is not told of; the latter at least 2.
    core_level : float, dB
        How far below the peak of an event the hops are that belong to its core.
    free : bool ndarray, (hops,)
        True at each hop that is not taken; updated.
    events : int64 ndarray, (3, as many as there may be)
        Receives start, stop and seed of each event.
    figures : ndarray, (3, as many)
        Receives the greatest level in dB, the greatest growth of the hiss within two hops, as a
        factor, from three hops ahead of the start to the seed, and the level of the first half
        against the second in dB.
    cores : ndarray, (as many, bands)
        Receives the mean spectrum of each core.

    Returns
    -------
    int
        How many events are told of.
    """
    level, count = curves[0], 0
    for seed in seeds:
        if not free[seed]:
            continue
        start, stop = _alike(seed, caps[0], rules, curves, free)
        if stop - start > lengths[0]:
            start, stop = _alike(seed, caps[1], rules, curves, free)
        free[max(0, start - 2) : stop + 2] = False
        if stop - start >= lengths[1]:
            peak, middle = level[start:stop].max(), (start + stop) // 2
            events[0, count], events[1, count], events[2, count] = start, stop, seed
            figures[0, count] = peak
            figures[1, count] = _growth(hiss, start - 3, seed + 1)
            figures[2, count] = level[start:middle].mean() - level[middle:stop].mean()
            _core(bands[start:stop], level[start:stop], peak - core_level, cores[count])
            count += 1
    return count
