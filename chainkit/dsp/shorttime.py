"""Short-time spectra in bands of 100 Hz, at any sample rate, in a stream."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from chainkit.dsp.fourier import LANES, PowerSpectra, fast_length
from chainkit.dsp.kernels_fourier import share

HOPS_A_SECOND = 200
WINDOW = 0.016  # seconds, Hann, rounded up to a length that transforms fast
BAND = 100.0  # Hz
BANDS = 160  # up to 16 kHz


class ShortTimeSpectra:
    """Power in bands of 100 Hz around every 5 ms, averaged over the channels.

    Hops are transformed in batches that are counted from the start, so the bits do not depend on
    how the programme was cut into blocks. A bin that lies across a band's edge goes to both sides
    in proportion.

    Parameters
    ----------
    rate : int, Hz
    channels : int
    """

    def __init__(self, rate: int, channels: int) -> None:
        self._rate = rate
        self._length = 2 * fast_length(round(WINDOW * rate / 2.0))
        window = np.hanning(self._length + 1)[:-1]
        self._spectra = PowerSpectra(window * np.sqrt(2.0 / self._length / (window**2).sum()))
        edges = np.arange(BANDS + 1) * BAND * self._length / rate + 0.5
        edges = np.minimum(edges, self._length // 2 + 1.0)
        self._bins = np.minimum(edges.astype(np.int64), self._length // 2)
        self._parts = (edges - self._bins).astype(np.float32)
        self._power = np.empty((self._length // 2 + 1, LANES), dtype=np.float32)
        self._total = np.empty(LANES, dtype=np.float32)
        self._held = np.zeros((channels, self._length // 2))  # silence ahead of the first frame
        self._new: list[NDArray[np.float64]] = []  # frames behind it, not yet joined
        self._frames = 0
        self._dropped = -(self._length // 2)  # number of the first frame that is held
        self._hop = 0

    def add(self, x: NDArray[np.float64]) -> list[NDArray[np.float32]]:
        """Take the next frames; return the batches they complete.

        Parameters
        ----------
        x : ndarray, (frames, channels)

        Returns
        -------
        list of ndarray, (32, 160)
            Mean square in each band, for each hop.
        """
        self._new.append(x.T)
        self._frames += len(x)
        batches = []
        if self._stop(LANES) <= self._frames - self._dropped:
            self._join()
            while self._stop(LANES) <= self._held.shape[1]:
                batches.append(self._transform())
        return batches

    def finish(self) -> list[NDArray[np.float32]]:
        """Return the last, shorter batch, as if silence followed."""
        self._join()
        left = -(-self._frames * HOPS_A_SECOND // self._rate) - self._hop
        if left <= 0:
            return []
        silence = max(0, self._stop(LANES) - self._held.shape[1])
        self._held = np.pad(self._held, ((0, 0), (0, silence)))
        return [self._transform()[:left]]

    def _join(self) -> None:
        self._held = np.concatenate([self._held, *self._new], axis=1)
        self._new = []

    def _starts(self, hops):  # type: ignore[no-untyped-def]
        """Places in what is held at which the windows of hops start."""
        centres = (hops * self._rate + HOPS_A_SECOND // 2) // HOPS_A_SECOND
        return centres - self._length // 2 - self._dropped

    def _stop(self, count: int) -> int:
        """Place in what is held at which the last of the next hops' windows stops."""
        return int(self._starts(self._hop + count - 1)) + self._length

    def _transform(self) -> NDArray[np.float32]:
        """Bands of the next hops."""
        starts = self._starts(self._hop + np.arange(LANES))
        self._power[:] = 0.0
        for lane in self._held:
            self._spectra.add(lane, starts, self._power)
        bands = np.empty((LANES, BANDS), dtype=np.float32)
        scale = np.float32(1.0 / len(self._held))
        share(self._power.reshape(-1), self._bins, self._parts, scale, self._total, bands)
        self._hop += LANES
        done = int(self._starts(self._hop))
        self._held, self._dropped = self._held[:, done:], self._dropped + done
        return bands
