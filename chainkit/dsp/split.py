"""Splits of a voice into a base and the band that a de-esser turns down.

The base is the whole voice; ``base + (g - 1) band`` is the voice with the band at gain g. Both
keep what is late to themselves, so that frame n of the base and frame n of the band belong to
frame n of the voice.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from chainkit.dsp import filters
from chainkit.dsp.cascade import Cascade
from chainkit.dsp.convolution import LinearPhase
from chainkit.dsp.delay import Queue

Audio = NDArray[np.float64]


class LinearSplit:
    """Linear-phase split: the band through a symmetric FIR, the base untouched.

    At most `latency` frames of the band are withheld; it rings for `reach` frames to either side.

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
        self._band = LinearPhase(filters.split_fir(rate, frequency, upper), channels)
        self.latency = self._band.latency
        self.reach = self._band.reach

    def base(self, x: Audio, bases: Queue) -> None:
        """Add the base of the next block (frames, channels) to `bases`."""
        bases.put(x)

    def band(self, x: Audio, bands: Queue) -> Audio:
        """Add the band of the frames that are due to `bands`; returns it, (n, channels)."""
        return self._band.process(x, bands)


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

    latency = reach = 0

    def __init__(self, rate: int, channels: int, frequency: float, upper: float | None) -> None:
        edges = [frequency] if upper is None else [frequency, upper]
        whole = [filters.allpass(rate, edge, np.sqrt(0.5)) for edge in edges]
        band = [filters.linkwitz_riley(rate, frequency)[1]]
        if upper is not None:
            band.append(filters.linkwitz_riley(rate, upper)[0])
        self._base = Cascade(np.concatenate(whole), channels)
        self._band = Cascade(np.concatenate(band), channels)

    def base(self, x: Audio, bases: Queue) -> None:
        """Add the base of the next block (frames, channels) to `bases`."""
        self._base.process(x, bases.room(len(x)))

    def band(self, x: Audio, bands: Queue) -> Audio:
        """Add the band of the next block to `bands`; returns it, (frames, channels)."""
        return self._band.process(x, bands.room(len(x)))
