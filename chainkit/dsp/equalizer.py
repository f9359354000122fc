"""The equalizer of a chain."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from chainkit.dsp.cascade import Cascade

Audio = NDArray[np.float64]


class Equalizer:
    """Bands in series; it has no gain over time to tell of.

    Parameters
    ----------
    sos : array_like, (sections, 6)
        Rows b0 b1 b2 a0 a1 a2 with a0 = 1.
    channels : int, > 0
    """

    latency = 0
    idle_db = 0.0

    def __init__(self, sos: ArrayLike, channels: int) -> None:
        self._channels = channels
        self._cascade = Cascade(sos, channels)

    def process(self, x: Audio) -> tuple[Audio, None]:
        """Filter the next block, (frames, channels); the gain is None."""
        return self._cascade.process(x), None

    def finish(self) -> tuple[Audio, None]:
        """Nothing is held back."""
        return np.empty((0, self._channels)), None
