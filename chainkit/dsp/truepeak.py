"""True peak by over-sampling, in the manner of ITU-R BS.1770-5, Annex 2.

The annex asks for at least 4-fold over-sampling (its step list) and states how far a peak may be
under-read: 20·lg cos(π·f/n) for a frequency f, in units of the sample rate, over-sampled n-fold
(Attachment 1). Here n = 8 at every rate, so that is −0.136 dB at 0.45 of the rate. The filters are
flat within 0.06 dB up to there and fall off above: of 800 pieces of white noise, 2048 and 12000
frames long, peaks were read 1.0 dB too low to 0.5 dB too high; without what lies above 0.45 of the
rate by 0.06 dB at most.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from chainkit.dsp.kernels_meter import GROUP, HALVING, REACH, true_peak

_STRETCH = 8192  # frames worked on at once: they stay in the nearest cache
_SLACK = 1.0 + 1e-4  # covers the rounding of the filter sums


def interpolator(taps: int, place: float, beta: float) -> NDArray[np.float64]:
    """Taps that give the value between two samples: a Kaiser-windowed sinc of unit sum.

    Parameters
    ----------
    taps : int, even
    place : float, 0 < place < 1
        Where between the two middle samples, in samples.
    beta : float, ≥ 0
        Shape of the window.

    Returns
    -------
    ndarray, (taps,)
    """
    distance = np.arange(1 - taps // 2, taps // 2 + 1) - place
    window = np.i0(beta * np.sqrt(np.maximum(0.0, 1.0 - (2.0 * distance / taps) ** 2)))
    shaped = np.sinc(distance) * window
    return shaped / shaped.sum()


class TruePeakMeter:
    """Streaming true peak of a programme, the greatest of its channels.

    The signal is taken to be silent before its first and behind its last frame. The result is
    the same, bit for bit, however the programme is cut into blocks. Values between the frames
    are computed in single precision, which moves a peak by less than 1e-5 dB. The sample rate does
    not matter, since the over-sampling is 8-fold at each.

    Parameters
    ----------
    channels : int
    """

    def __init__(self, channels: int) -> None:
        halving = interpolator(2 * HALVING, 0.5, 5.0)
        middle = interpolator(8, 0.5, 6.0)
        quarter = interpolator(8, 0.25, 6.0)
        near, far = quarter[3::-1], quarter[4:]
        halves = (halving[HALVING:], middle[4:], 0.5 * (near + far), 0.5 * (near - far))
        self._filters = tuple(half.astype(np.float32) for half in halves)
        second = _SLACK * float(max(np.abs(middle).sum(), np.abs(quarter).sum()))
        self._bounds = (second * float(np.abs(halving).sum()), second)
        self._tails = np.zeros((channels, 2 * REACH), dtype=np.float32)
        self._room = (
            np.empty(2 * REACH + _STRETCH, dtype=np.float32),
            np.empty((2, GROUP + 4), dtype=np.float32),
        )
        self._peak = 0.0

    def add(self, x: NDArray[np.float64]) -> None:
        """Take the next frames.

        Parameters
        ----------
        x : ndarray, (frames, channels)
        """
        for channel, tail in enumerate(self._tails):
            self._peak = self._examine(x[:, channel], tail, self._peak)

    def dbtp(self) -> float | None:
        """True peak so far in dB against full scale; None for silence."""
        peak, silence = self._peak, np.zeros(2 * REACH)
        for tail in self._tails:
            peak = self._examine(silence, tail.copy(), peak)
        return 20.0 * math.log10(peak) if peak > 0.0 else None

    def _examine(self, x: NDArray[np.float64], tail: NDArray[np.float32], peak: float) -> float:
        return float(true_peak(x, *self._room, tail, *self._filters, self._bounds, peak))
