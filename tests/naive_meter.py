"""Slow twins of the meters' kernels, written from the formulas; nothing of chainkit here."""

from __future__ import annotations

import numpy as np


def hop_edges(frames, rate, hops_a_second):
    """Frames at which whole hops begin and end, each rounded to the nearest."""
    edges, hop = [0], 1
    while (end := int(hop * rate / hops_a_second + 0.5)) <= frames:
        edges.append(end)
        hop += 1
    return edges


def hop_powers(x, sections, rate, hops_a_second):
    """Mean square of each filtered channel in each hop."""
    filtered = np.array([cascade(lane, sections) for lane in x.T])
    edges = hop_edges(len(x), rate, hops_a_second)
    return [
        [np.mean(lane[a:b] ** 2) for lane in filtered]
        for a, b in zip(edges, edges[1:], strict=False)
    ]


def cascade(x, sections):
    """Second-order sections, one after the other, by the difference equation."""
    for b0, b1, b2, _, a1, a2 in sections:
        y = np.zeros(len(x) + 2)
        padded = np.concatenate([[0.0, 0.0], x])
        for n in range(2, len(padded)):
            y[n] = (
                b0 * padded[n] + b1 * padded[n - 1] + b2 * padded[n - 2]
                - a1 * y[n - 1] - a2 * y[n - 2]
            )  # fmt: skip
        x = y[2:]
    return x


def windowed_sinc(distance, taps, beta):
    """Kaiser-windowed sinc at a distance in samples from its middle."""
    inside = np.maximum(0.0, 1.0 - (2.0 * distance / taps) ** 2)
    return np.sinc(distance) * np.i0(beta * np.sqrt(inside))


def interpolated(x, place, taps, beta):
    """Values at n + place, each from the `taps` frames around it; taps add up to one."""
    distance = np.arange(1 - taps // 2, taps // 2 + 1) - place
    h = windowed_sinc(distance, taps, beta)
    h = h / h.sum()
    padded = np.concatenate([np.zeros(taps), x, np.zeros(taps)])
    values = [
        padded[n + 1 - taps // 2 : n + 1 + taps // 2] @ h for n in range(taps, len(padded) - taps)
    ]
    return np.array(values)


def true_peak(x):
    """Greatest |value| of the 2-fold and then 4-fold over-sampled signal."""
    x = np.concatenate([np.zeros(64), x, np.zeros(64)])
    double = np.stack([x, interpolated(x, 0.5, 32, 5.0)], axis=1).ravel()
    finer = [interpolated(double, place, 8, 6.0) for place in (0.25, 0.5, 0.75)]
    return max(np.abs(values).max() for values in (double, *finer))


def tally(x, ceiling, shortest):
    """Sum and peak of each channel, number of clipped runs, first frame of the first run.

    A run is made of equal values at or above the ceiling.
    """
    runs = []
    for lane in x.T:
        turns = [0, *(n for n in range(1, len(lane)) if lane[n] != lane[n - 1]), len(lane)]
        for start, stop in zip(turns, turns[1:], strict=False):
            if stop - start >= shortest and abs(lane[start]) >= ceiling:
                runs.append(start)
    return x.sum(axis=0), np.abs(x).max(axis=0), len(runs), min(runs, default=None)


def window_levels(x, rate, windows_a_second):
    """Mean square in each window, averaged over the channels, their means in it taken away."""
    edges = hop_edges(len(x), rate, windows_a_second)
    return [np.mean(np.var(x[a:b], axis=0)) for a, b in zip(edges, edges[1:], strict=False)]
