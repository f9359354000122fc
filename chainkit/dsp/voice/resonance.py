"""A fixed resonance, of a room or a microphone: it stays where it is whatever note is sung."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from chainkit.dsp import filters
from chainkit.dsp.voice import noise

Samples = NDArray[np.float64]


@dataclass(frozen=True)
class PlantedResonance:
    """A fixed resonance: a bell of `frequency` in Hz, `q`, and `gain` in dB."""

    frequency: float
    q: float
    gain: float


def plant(x: Samples, rate: int, resonance: PlantedResonance) -> Samples:
    """`x` with a resonance in it, same shape; x : ndarray, (frames,) or (frames, channels).

    `filters.bell` applied to the whole spectrum at once; what rings past the end is cut off.
    """
    size = noise.quick_length(len(x) + rate // 2)  # 150 Hz at Q 20 rings 0.3 s to −60 dB
    bell = filters.bell(rate, resonance.frequency, resonance.gain, resonance.q)
    response = filters.response(bell, np.arange(size // 2 + 1) * (rate / size), rate)
    spectrum = np.fft.rfft(x, size, axis=0)
    return np.asarray(np.fft.irfft((spectrum.T * response).T, size, axis=0)[: len(x)])
