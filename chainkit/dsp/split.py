"""Splits of a voice into a base and the band that a de-esser turns down.

Both splits return the base, which is the whole voice, and the band, aligned frame for frame:
``base + (g - 1) band`` is the voice with the band at gain g.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from chainkit.dsp import filters, kernels
from chainkit.dsp.cascade import Cascade
from chainkit.dsp.delay import Delay, Skip

Audio = NDArray[np.float64]


class LinearSplit:
    """Linear-phase split: the band through a symmetric FIR, the base untouched.

    The first `latency` frames are withheld, so that frames stay in their places.

    Parameters
    ----------
    rate : int, Hz
    channels : int, > 0
    frequency : float, Hz
        Lower edge of the band.
    upper : float or None, Hz
        Upper edge.
    """

    def __init__(self, rate: int, channels: int, frequency: float, upper: float | None) -> None:
        self._taps = filters.split_fir(rate, frequency, upper)
        self.latency = len(self._taps) // 2
        self._channels = channels
        self._past = np.zeros((channels, len(self._taps) - 1))
        self._delay = Delay(self.latency, channels)
        self._skip = Skip(self.latency)

    def process(self, x: Audio) -> tuple[Audio, Audio]:
        """Base and band, each (n, channels), of the frames that are due."""
        return self._delay.process(x), self._skip.process(self._filter(x))

    def finish(self) -> tuple[Audio, Audio]:
        """Base and band of the frames withheld; silence follows the end."""
        return self.process(np.zeros((self.latency, self._channels)))

    def _filter(self, x: Audio) -> Audio:
        band = np.empty((self._channels, len(x)))
        for channel in range(self._channels):
            values = np.concatenate((self._past[channel], x[:, channel]))
            kernels.symmetric_fir(values, self._taps, band[channel])
            self._past[channel] = values[len(x) :]
        return np.ascontiguousarray(band.T)


class MinimumSplit:
    """Linkwitz-Riley split of 4th order: no latency, but the phase of an all-pass.

    The base is the sum of all bands, which is an all-pass of second order for each edge (S.
    Linkwitz, "Active Crossover Networks for Noncoincident Drivers", J. Audio Eng. Soc. 24(1),
    1976), so the voice keeps its spectrum where the band is left alone.

    Parameters
    ----------
    rate : int, Hz
    channels : int, > 0
    frequency : float, Hz
        Lower edge of the band.
    upper : float or None, Hz
        Upper edge.
    """

    latency = 0

    def __init__(self, rate: int, channels: int, frequency: float, upper: float | None) -> None:
        edges = [frequency] if upper is None else [frequency, upper]
        whole = [filters.allpass(rate, edge, np.sqrt(0.5)) for edge in edges]
        band = [filters.linkwitz_riley(rate, frequency)[1]]
        if upper is not None:
            band.append(filters.linkwitz_riley(rate, upper)[0])
        self._channels = channels
        self._base = Cascade(np.concatenate(whole), channels)
        self._band = Cascade(np.concatenate(band), channels)

    def process(self, x: Audio) -> tuple[Audio, Audio]:
        """Base and band, each (frames, channels)."""
        return self._base.process(x), self._band.process(x)

    def finish(self) -> tuple[Audio, Audio]:
        """Nothing is withheld."""
        return np.empty((0, self._channels)), np.empty((0, self._channels))
