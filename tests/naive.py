"""Slow twins of the kernels and processors, written from the formulas; nothing of chainkit here.

Signals are lists or one-dimensional arrays; a processor's twin takes (frames, channels).
"""

from __future__ import annotations

import math

import numpy as np

FLOOR_DB = -400.0


def sections(sos, x):
    """Second-order sections in series, transposed direct form II."""
    for b0, b1, b2, _, a1, a2 in np.asarray(sos).tolist():
        p = q = 0.0
        made = []
        for value in np.asarray(x).tolist():
            y = b0 * value + p
            p = b1 * value - a1 * y + q
            q = b2 * value - a2 * y
            made.append(y)
        x = made
    return np.array(x, dtype=float)


def filtered(sos, x):
    """`sections` for each channel of (frames, channels)."""
    return np.stack([sections(sos, channel) for channel in x.T], axis=1)


def trailing(x, width):
    """The windows of `width` frames that end at each frame; before the start there is silence."""
    padded = [0.0] * (width - 1) + list(x)
    return [padded[n : n + width] for n in range(len(x))]


def trailing_max(x, width):
    return np.array([max(window) for window in trailing(x, width)])


def trailing_mean(x, width):
    return np.array([math.fsum(window) / width for window in trailing(x, width)])


def decibels(value, scale):
    """Scale 20 for magnitudes, 10 for squares; levels end at -400 dB."""
    return max(scale * math.log10(value), FLOOR_DB) if value > 0.0 else FLOOR_DB


def amplitude(level):
    return 10.0 ** (level / 20.0)


def soft_knee(level, threshold, ratio, knee):
    """Gain of the static curve of Giannoulis, Massberg, Reiss 2012: output less input, in dB."""
    over = level - threshold
    slope = 1.0 / ratio - 1.0
    if 2.0 * over < -knee:
        return 0.0
    if 2.0 * abs(over) <= knee and knee > 0.0:
        return slope * (over + knee / 2.0) ** 2 / (2.0 * knee)
    return slope * over if over > 0.0 else 0.0


def smooth(targets, attack, release):
    """Smooth branching detector of Giannoulis et al. 2012, on the gain in dB."""
    y = 0.0
    made = []
    for target in targets:
        a = attack if target < y else release
        y = a * y + (1.0 - a) * target
        made.append(y)
    return np.array(made)


def coefficient(seconds, rate):
    return math.exp(-1.0 / (seconds * rate)) if seconds > 0.0 else 0.0


def loudest(x, detector, width):
    """Greatest |x| or mean square of the loudest channel in each trailing window."""
    if detector == "peak":
        rows = [trailing_max(abs(channel), width) for channel in x.T]
    else:
        rows = [trailing_mean(channel**2, width) for channel in x.T]
    return np.max(rows, axis=0)


def reduction(
    key, rate, *, threshold, ratio, knee, attack, release, detector, window, against=None,
    reduction_range=None,
):  # fmt: skip
    """Gain in dB from what the detector hears, one for all channels."""
    width = max(round(window * rate), 1)
    scale = 20.0 if detector == "peak" else 10.0
    measured = loudest(key, detector, width)
    if against is not None:
        whole = loudest(against, detector, width)
        least = 1e-6 if detector == "peak" else 1e-12  # -120 dBFS
        measured = [a / b if b > least else 0.0 for a, b in zip(measured, whole, strict=True)]
    targets = [soft_knee(decibels(v, scale), threshold, ratio, knee) for v in measured]
    gain = smooth(targets, coefficient(attack, rate), coefficient(release, rate))
    return gain if reduction_range is None else np.maximum(gain, -reduction_range)


def ahead(x, frames):
    """`x` (frames, channels) moved so that frame n + `frames` stands at n; silence follows."""
    return np.concatenate((x, np.zeros((frames, x.shape[1]))))[frames:]


def compressor(x, rate, *, lookahead, makeup, mix, link, sidechain=None, **settings):
    """Output and gain in dB, (frames, channels) and (frames, lanes)."""
    look = round(lookahead * rate)
    key = np.concatenate((x, np.zeros((look, x.shape[1]))))
    key = key if sidechain is None else filtered(sidechain, key)
    lanes = [key] if link else [channel[:, None] for channel in key.T]
    gain = np.stack([reduction(lane, rate, **settings) for lane in lanes], axis=1)[look:]
    factor = (1.0 - mix) + mix * 10.0 ** ((gain + makeup) / 20.0)
    return x * factor, 20.0 * np.log10(factor)


def centred_fir(x, taps):
    """Each channel of `x` (frames, channels) convolved with symmetric taps, delay removed."""
    reach = len(taps) // 2
    made = [np.convolve(channel, taps)[reach : reach + len(channel)] for channel in x.T]
    return np.stack(made, axis=1)


def surrounded(x, reach):
    """|x|, but nowhere 40 dB and more below the greatest within `reach` frames to either side."""
    near = [abs(x[max(n - reach, 0) : n + reach + 1]).max(axis=0) for n in range(len(x))]
    return np.maximum(abs(x), 0.01 * np.array(near).reshape(x.shape))


def deesser(x, rate, *, base, band, lookahead, share, reach, **settings):
    """Output and gain in dB; `base` and `band` are functions of a voice (frames, channels).

    `reach` is how far the band's filter rings to either side, in frames.
    """
    look = round(lookahead * rate)
    longer = np.concatenate((x, np.zeros((look + reach, x.shape[1]))))
    against = surrounded(base(longer), reach)[: len(x) + look] if share else None
    longer = longer[: len(x) + look]
    gain = reduction(band(longer), rate, against=against, **settings)[look:, None]
    return base(x) + (10.0 ** (gain / 20.0) - 1.0) * band(x), gain


def ride(frames, rate, times, gains):
    """Straight lines in dB between points, held at both ends."""
    made = []
    for n in range(frames):
        now = n / rate
        level = gains[0] if now <= times[0] else gains[-1]
        for k in range(len(times) - 1):
            if times[k] <= now < times[k + 1]:
                part = (now - times[k]) / (times[k + 1] - times[k])
                level = (1.0 - part) * gains[k] + part * gains[k + 1]
        made.append(level)
    return np.array(made)
