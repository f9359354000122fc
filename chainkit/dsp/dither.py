"""Quantising to integer codes, with dither when bits are lost.

Mid-tread rounding after triangular dither: the sum of two independent uniform variables, each one
step wide. The error then has mean 0 and power Δ²/4 whatever the signal, and neither depends on it.

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


@dataclass(frozen=True)
class Clipping:
    """Samples that fell outside the codes.

    Parameters
    ----------
    count : int > 0
        Samples, over all channels.
    frame : int
        Frame of the first.
    overshoot : float, dB
        How far the greatest sample lies above the last code, before dither.
    cure : float, dB, ≤ −0.01
        Gain after which no sample clips, dither counted in; a whole number of hundredths.
    """

    count: int
    frame: int
    overshoot: float
    cure: float


class Quantizer:
    """Turns samples into codes; the result does not depend on how they are cut into blocks.

    Dither sets in at the first frame of which a sample does not fit a code, and stays; a signal
    whose samples all fit passes unchanged.

    Parameters
    ----------
    bits : int, 2 to 32
    seed : int ≥ 0
        Of the dither: the same seed and signal give the same codes.

    Attributes
    ----------
    dithered : bool
        Whether dither has set in.
    """

    def __init__(self, bits: int, seed: int = 0) -> None:
        self.bits = bits
        self.dithered = False
        self._limit = 2.0 ** (bits - 1)
        self._draws = np.random.PCG64(seed)
        self._frames = 0
        self._clipped = 0
        self._first_clipped = -1
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
        scaled = x * self._limit
        codes = self._rounded(scaled)
        if codes.size and (codes.max() >= self._limit or codes.min() < -self._limit):
            self._note_clipping(scaled, codes)
            np.clip(codes, -self._limit, self._limit - 1.0, out=codes)
        self._frames += len(x)
        codes *= 2.0 ** (32 - self.bits)
        return codes.astype(np.int32)

    @property
    def clipping(self) -> Clipping | None:
        """What has clipped so far."""
        if not self._clipped:
            return None
        overshoot = 20.0 * math.log10(self._peak / (self._limit - 1.0))
        # Dither adds less than a step, rounding half a step: half a step of room is enough.
        cure = 20.0 * math.log10((self._limit - 0.5) / self._peak)
        return Clipping(
            self._clipped, self._first_clipped, max(0.0, overshoot), math.floor(cure * 100) / 100
        )

    def _rounded(self, scaled: NDArray[np.float64]) -> NDArray[np.float64]:
        """Codes as float64, dithered from the first frame on that needs it."""
        start = 0
        if not self.dithered:
            codes = np.floor(scaled)
            lossy = (codes != scaled).any(axis=1)
            self.dithered = bool(lossy.any())
            if not self.dithered:
                return codes
            start = int(lossy.argmax())
        codes = scaled + 0.5
        codes[start:] += triangular(self._draws, codes[start:].size).reshape(-1, codes.shape[1])
        return np.floor(codes, out=codes)

    def _note_clipping(self, scaled: NDArray[np.float64], codes: NDArray[np.float64]) -> None:
        over = (codes >= self._limit) | (codes < -self._limit)
        if not self._clipped:
            self._first_clipped = self._frames + int(over.any(axis=1).argmax())
        self._clipped += int(np.count_nonzero(over))
        self._peak = max(self._peak, float(np.abs(scaled[over]).max()))


def triangular(draws: np.random.BitGenerator, count: int) -> NDArray[np.float64]:
    """`count` triangular variables in (−1, 1), variance 1/6.

    Each is the difference of the halves of one 64-bit draw, so they come out the same however the
    draws are grouped.
    """
    halves = draws.random_raw(count).view(np.uint32).reshape(-1, 2).astype(np.float64)
    return (halves[:, 0] - halves[:, 1]) * 2.0**-32
