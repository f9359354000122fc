"""Quantising to integer codes, with dither when bits are lost.

Mid-tread rounding after triangular dither: the sum of two independent uniform variables, each one
step Δ wide. The error then has mean 0 and power Δ²/4 whatever the signal, and neither depends on
it; without dither it follows the signal.

References
----------
S. P. Lipshitz, R. A. Wannamaker, J. Vanderkooy, "Quantization and Dither: A Theoretical Survey",
J. Audio Eng. Soc. 40(5), 1992, 355–375.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from chainkit.dsp import kernels_quantise as kernels


@dataclass(frozen=True)
class Clipping:
    """Samples that fell outside the codes.

    Parameters
    ----------
    count : int > 0
        Samples, over all channels.
    frame, channel : int
        Place of the first, counted from 0.
    overshoot : float ≥ 0, dB
        How far the greatest sample lies above the last code, before dither.
    cure : float < 0, dB
        Gain after which no sample clips, dither counted in; rounded down to 0.01 dB.
    """

    count: int
    frame: int
    channel: int
    overshoot: float
    cure: float


class Quantizer:
    """Turns samples into codes; the result does not depend on how they are cut into blocks.

    Dither sets in at the first frame of which a sample does not fit a code, and stays; a signal
    whose samples all fit passes unchanged.

    Parameters
    ----------
    bits : int, 2 to 32
    channels : int > 0
    seed : int ≥ 0
        Of the dither: the same seed and signal give the same codes.

    Attributes
    ----------
    dithered : bool
        Whether dither has set in.
    """

    def __init__(self, bits: int, channels: int, seed: int = 0) -> None:
        self.dithered = False
        self._channels = channels
        self._scale = 2.0 ** (bits - 1)
        self._unit = 2.0 ** (32 - bits)
        self._seed = np.random.SeedSequence(seed).generate_state(1, np.uint64)[0]
        self._done = 0
        self._held = 0
        self._first_held = 0
        self._peak = 0.0

    def process(self, x: NDArray[np.float64]) -> NDArray[np.int32]:
        """Codes of the next block, at the high end of 32 bits: code · 2^(32 − bits).

        Parameters
        ----------
        x : ndarray, (frames, channels), finite, full scale ±1

        Returns
        -------
        ndarray, (frames, channels), int32
            Codes outside −2^(bits − 1) … 2^(bits − 1) − 1 are held at those, and counted.
        """
        samples = np.ascontiguousarray(x, dtype=np.float64).reshape(-1)
        codes = np.empty(samples.size, dtype=np.int32)
        exact = 0 if self.dithered else self._exact_samples(samples)
        self._quantise(samples[:exact], codes[:exact], dither=0.0)
        self._quantise(samples[exact:], codes[exact:], dither=1.0)
        self.dithered = self.dithered or exact < samples.size
        return codes.reshape(x.shape)

    @property
    def clipping(self) -> Clipping | None:
        """What has clipped so far."""
        if not self._held:
            return None
        frame, channel = divmod(self._first_held, self._channels)
        overshoot = max(0.0, 20.0 * math.log10(self._peak / (self._scale - 1.0)))
        # Dither adds less than one step, rounding at most half of one: a sample that lies at least
        # half a step below the last code, scale − 1, cannot pass it.
        cure = 20.0 * math.log10((self._scale - 1.5) / self._peak)
        return Clipping(self._held, frame, channel, overshoot, math.floor(cure * 100.0) / 100.0)

    def _exact_samples(self, samples: NDArray[np.float64]) -> int:
        """How many samples precede the first frame that loses bits."""
        first = int(kernels.first_off_grid(samples, self._scale))
        return first - first % self._channels

    def _quantise(
        self, samples: NDArray[np.float64], codes: NDArray[np.int32], dither: float
    ) -> None:
        how = (dither, self._seed, self._done)
        held = kernels.quantise(samples, self._scale, self._unit, *how, codes)
        if held:
            self._tally(held, *kernels.tally_held(samples, self._scale, *how))
        self._done += samples.size

    def _tally(self, count: int, first: int, peak: float) -> None:
        if not self._held:
            self._first_held = self._done + first
        self._held += count
        self._peak = max(self._peak, peak)
