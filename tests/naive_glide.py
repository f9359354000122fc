"""Slow twin of the gliding bell, written from the formulas; nothing of chainkit here."""

from __future__ import annotations

import numpy as np


def gliding_bell(x, frequencies, rate, gain, q):
    """State-space form of H(s) = (s² + s·A/Q + 1) / (s² + s/(A·Q) + 1), one frame at a time.

    States are the band-pass and the low-pass integral; each frame the trapezoidal rule is solved
    as a pair of linear equations: s = s_old + g · (rate of change now), then carried over.
    """
    amplitude = 10.0 ** (gain / 40.0)
    k = 1.0 / (amplitude * q)
    y = np.empty_like(x)
    held = np.zeros(2)
    for n, (sample, frequency) in enumerate(zip(x, frequencies, strict=True)):
        g = np.tan(np.pi * frequency / rate)
        # band = held0 + g (x − k band − low);  low = held1 + g band
        matrix = np.array([[1.0 + g * k, g], [-g, 1.0]])
        band, low = np.linalg.solve(matrix, [held[0] + g * sample, held[1]])
        held = 2.0 * np.array([band, low]) - held
        high = sample - k * band - low
        y[n] = high + low + amplitude / q * band
    return y
