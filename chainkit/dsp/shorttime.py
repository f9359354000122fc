"""Spectra of overlapping windows in bands, at any sample rate, in a stream."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from chainkit.dsp.fourier import LANES, BandPowers, fast_length

HOPS_A_SECOND = 200
WINDOW = 0.016  # seconds, Hann, rounded up to a length that transforms fast
BAND = 100.0  # Hz
BANDS = 160  # up to 16 kHz


class BandSpectra:
    """Power in bands around every hop, averaged over the channels, in a stream.

    Hops are transformed in batches that are counted from the start, so the bits do not depend on
    how the programme was cut into blocks. A bin that lies across a band's edge goes to both sides
    in proportion.

    Parameters
    ----------
    channels : int
    length : int, frames
        Of the Hann window, twice a `fast_length`. The first one is centred on the first frame.
    hop : (int, int)
        Frames from one window to the next, as a fraction; centres are rounded to the nearest frame.
    edges : ndarray, (bands + 1,)
        Of the bands, in bins; those above half the sample rate are moved there.
    """

    def __init__(
        self, channels: int, length: int, hop: tuple[int, int], edges: NDArray[np.float64]
    ) -> None:
        self._length, self._hop_frames = length, hop
        window = np.hanning(length + 1)[:-1]
        self._powers = BandPowers(window * np.sqrt(2.0 / length / (window**2).sum()), edges)
        self._held = np.zeros((channels, length), dtype=np.float32)
        self._kept = length // 2  # frames that are held, at first silence
        self._dropped = -self._kept  # number of the first of them
        self._frames = 0
        self._hop = 0

    def add(self, x: NDArray[np.float64]) -> list[NDArray[np.float32]]:
        """Take the next frames; return the batches they complete.

        Parameters
        ----------
        x : ndarray, (frames, channels)

        Returns
        -------
        list of ndarray, (`LANES`, bands)
            Mean square in each band, for each hop.
        """
        self._room(len(x))[:] = x.T
        self._frames += len(x)
        ready = 0
        while self._stop(ready + LANES) <= self._kept:
            ready += LANES
        return self._transform(ready) if ready else []

    def finish(self) -> list[NDArray[np.float32]]:
        """Return the last, shorter batch, as if silence followed."""
        over, under = self._hop_frames
        left = -(-self._frames * under // over) - self._hop
        if left <= 0:
            return []
        self._room(max(0, self._stop(LANES) - self._kept))[:] = 0.0
        return [self._transform(LANES)[0][:left]]

    def _room(self, count: int) -> NDArray[np.float32]:
        """Where the next frames are held, of which there are `count`.

        Memory asked for anew with every block costs almost as much as the transforms.
        """
        first, self._kept = self._kept, self._kept + count
        if self._kept > self._held.shape[1]:
            longer = np.empty((len(self._held), 2 * self._kept), dtype=np.float32)
            longer[:, :first] = self._held[:, :first]
            self._held = longer
        return self._held[:, first : self._kept]

    def _starts(self, hops: Any) -> Any:
        """Places in what is held at which the windows of hops start, for an int or an array."""
        over, under = self._hop_frames
        return (hops * over + under // 2) // under - self._length // 2 - self._dropped

    def _stop(self, count: int) -> int:
        """Place in what is held at which the last of the next hops' windows stops."""
        return int(self._starts(self._hop + count - 1)) + self._length

    def _transform(self, count: int) -> list[NDArray[np.float32]]:
        """Bands of the next hops, a multiple of `LANES`; lets go of what later ones do not need."""
        bands = self._powers.of(self._held, self._starts(self._hop + np.arange(count)))
        self._hop += count
        done = int(self._starts(self._hop))
        self._kept -= done
        self._held[:, : self._kept] = self._held[:, done : done + self._kept]
        self._dropped += done
        return [bands[first : first + LANES] for first in range(0, count, LANES)]


class ShortTimeSpectra(BandSpectra):
    """Power in bands of 100 Hz around every 5 ms.

    Parameters
    ----------
    rate : int, Hz
    channels : int
    """

    def __init__(self, rate: int, channels: int) -> None:
        length = 2 * fast_length(round(WINDOW * rate / 2.0))
        edges = np.arange(BANDS + 1) * BAND * length / rate
        super().__init__(channels, length, (rate, HOPS_A_SECOND), edges)
