"""Slow twins of what finds sibilants, with masks over all hops; nothing of chainkit here."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np


class Rules(NamedTuple):
    """As the kernel takes them."""

    reach: int
    edge_level: float
    edge_ratio: float
    edge_fall: float
    edge_centre: float
    onset_level: float
    onset_ratio: float


def run(mask, place):
    """Start and stop of the run of true values around a place, which counts as true."""
    others = np.flatnonzero(~mask)
    before, after = others[others < place], others[others > place]
    return before.max(initial=-1) + 1, after.min(initial=len(mask))


def alike(seed, cap, rules, level, ratio, centre, free):
    hops = np.arange(len(level))
    near = (hops >= seed - rules.reach) & (hops < seed + rules.reach)
    same = near & free & (centre > rules.edge_centre * centre[seed])
    peak = level[abs(hops - seed) <= 1].max()
    least = min(max(rules.edge_ratio, ratio[seed] - rules.edge_fall), cap)
    start, stop = run(same & (level > peak - rules.edge_level) & (ratio > least), seed)
    if ratio[start] > rules.onset_ratio:
        rising = same & (level > peak - rules.onset_level) & (ratio > rules.onset_ratio)
        start, _ = run(rising, start)
    return start, stop


def find(seeds, curves, hiss, bands, rules, caps, long, shortest, core_level):
    """Start, stop, seed, level, growth, fall and core of each event."""
    level, free, found = curves[0], np.ones(len(hiss), dtype=bool), []
    for seed in seeds:
        if not free[seed]:
            continue
        start, stop = alike(seed, caps[0], rules, *curves, free)
        if stop - start > long:
            start, stop = alike(seed, caps[1], rules, *curves, free)
        free[max(0, start - 2) : stop + 2] = False
        if stop - start >= shortest:
            inside = level[start:stop]
            growth = [hiss[n] / hiss[n - 2] for n in range(max(2, start - 3), seed + 1)]
            first, second = np.split(inside, [(start + stop) // 2 - start])
            core = bands[start:stop][inside > inside.max() - core_level].mean(axis=0, dtype=float)
            fall = first.mean() - second.mean()
            found.append((start, stop, seed, inside.max(), max([1.0, *growth]), fall, core))
    return found


def neighbour(vowel, ratio, start, stop, reach):
    """Power of the loudest vowel within reach of an event."""
    hops = [*range(max(0, start - reach), start), *range(stop, min(len(vowel), stop + reach))]
    return max([vowel[n] for n in hops if ratio[n] < 0.0], default=0.0)


def around(total, voice, events, number, reach):
    """Mean power of the voice around an event, all events left out; of all where there is none."""
    start, stop = events[number]
    taken = {n for first, last in events for n in range(first, last)}
    hops = range(max(0, start - reach), min(len(total), stop + reach))
    powers = [total[n] for n in hops if n not in taken and total[n] > 0.01 * voice]
    return np.mean(powers) if powers else voice
