"""The compiled loop of a bell whose frequency moves."""

from __future__ import annotations

import math

from numba import njit


@njit(cache=True, nogil=True, error_model="numpy")
def gliding_bell(x, frequencies, rate, amplitude, q, state, y):
    """Send `x` (frames, channels) through a bell at `frequencies` (frames,) Hz.

    `amplitude` is the square root of the gain, `state` (channels, 2) what the two integrators
    hold; `y` as `x`. With g = tan(π f / rate), both integrators by the trapezoidal rule,
    band = (s₁ + g (x − s₂)) / (1 + g (g + k)), low = s₂ + g band, k = 1 / (q · amplitude).
    """
    damping = 1.0 / (q * amplitude)
    lift = damping * (amplitude * amplitude - 1.0)
    for n in range(len(x)):
        g = math.tan(math.pi * frequencies[n] / rate)
        d = 1.0 / (1.0 + g * (g + damping))
        for channel in range(x.shape[1]):
            first, second = state[channel, 0], state[channel, 1]
            band = d * (first + g * (x[n, channel] - second))
            low = second + g * band
            state[channel, 0] = 2.0 * band - first
            state[channel, 1] = 2.0 * low - second
            y[n, channel] = x[n, channel] + lift * band
