"""Slow twins of the limiter's loops, written from their description."""

from __future__ import annotations

import numpy as np


def naive_frame_peaks(x, taps):
    """Greatest of a frame's magnitude and of the interpolated values behind it."""
    width = taps.shape[1]
    peaks = []
    for n in range(len(x) - width + 1):
        between = [abs(np.dot(taps[phase], x[n : n + width])) for phase in range(len(taps))]
        peaks.append(max(np.abs(x[n + width // 2 - 1]).max(), np.max(between)))
    return np.array(peaks)


def naive_limiting_gain(peaks, ceiling, alpha, window):
    """Held minimum over the window, let go by one pole, averaged over the window."""
    need = np.minimum(1.0, ceiling / np.maximum(peaks, 1e-300))
    released, past, gains = 1.0, [1.0] * window, []
    for n in range(len(peaks)):
        held = need[max(0, n - window + 1) : n + 1].min()
        released = held if held < released else held + alpha * (released - held)
        past.append(released)
        gains.append(min(1.0, float(np.mean(past[-window:]))))
    return np.array(gains)
