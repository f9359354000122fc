"""How far a voice stands clear of its backing, band by band.

The band-audibility step of ANSI S3.5-1997 on the levels of voice and backing in one-third octaves:
K = (level difference + 15) / 30, held within 0 and 1, weighted by the standard's band importance
(Table 3). It is that one step and not a speech intelligibility index, since a file tells nothing of
sound pressure level, hearing threshold or spread of masking.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

Audio = NDArray[np.float64]

# ANSI S3.5-1997, Table 3: mid-bands in Hz (nominal) and importance.
NOMINAL = np.array(
    [
        160, 200, 250, 315, 400, 500, 630, 800, 1000,
        1250, 1600, 2000, 2500, 3150, 4000, 5000, 6300, 8000,
    ]
)  # fmt: skip
IMPORTANCE = np.array(
    [
        0.0083, 0.0095, 0.0150, 0.0289, 0.0440, 0.0578, 0.0653, 0.0711, 0.0818,
        0.0844, 0.0882, 0.0898, 0.0868, 0.0844, 0.0771, 0.0527, 0.0364, 0.0185,
    ]
)  # fmt: skip
HOP = 0.050  # seconds


def band_edges() -> Audio:
    """Edges in Hz of the one-third octaves from 160 Hz to 8 kHz (IEC 61260-1, base 10)."""
    return 1e3 * np.float_power(10.0, 0.1 * (np.arange(-8, 11) - 0.5))


def band_audibility(difference: Audio) -> Audio:
    """How far a band stands clear, 0 to 1, by its level difference in dB."""
    return np.clip((difference + 15.0) / 30.0, 0.0, 1.0)


def audibility(voice: Audio, backing: Audio, rate: int) -> Audio:
    """Weighted share of the voice that stands clear of the backing.

    A band counts by as much of it as lies below half the sample rate, and what counts adds up to
    one, so that a low rate does not hide a voice.

    Parameters
    ----------
    voice, backing : ndarray, (..., 18)
        Powers in the one-third octaves from 160 Hz to 8 kHz, in one unit.
    rate : int, Hz

    Returns
    -------
    ndarray, (...), 0 to 1
        0 where the voice is silent.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        difference = 10.0 * np.log10(voice / backing)
    share = band_audibility(np.nan_to_num(difference, nan=-np.inf))
    low, high = band_edges()[:-1], band_edges()[1:]
    importance = IMPORTANCE * np.clip((rate / 2.0 - low) / (high - low), 0.0, 1.0)
    return np.where(voice > 0, share, 0.0) @ (importance / importance.sum())


class ThirdOctaves:
    """Power in one-third octaves, 160 Hz to 8 kHz, every 50 ms; channels are added.

    Parameters
    ----------
    rate : int, Hz
    """

    def __init__(self, rate: int) -> None:
        self._hop = round(HOP * rate)
        size = 2 * self._hop
        self._window = np.hanning(size + 1)[:-1]
        frequencies = np.fft.rfftfreq(size, 1.0 / rate)
        # A bin's power goes to the bands in the shares in which its width covers them.
        low, high = frequencies - 0.5 * rate / size, frequencies + 0.5 * rate / size
        edges = band_edges()
        covered = np.minimum(high[:, None], edges[1:]) - np.maximum(low[:, None], edges[:-1])
        self._shares = np.clip(covered, 0.0, None) / (rate / size)
        self._scale = 2.0 / (size * np.sum(self._window**2))
        self._tail = np.empty((0, 1))
        self._rows: list[NDArray[np.float32]] = []

    def add(self, x: Audio) -> None:
        """Take the next frames (frames, channels)."""
        tail = self._tail if len(self._tail) else np.empty((0, x.shape[1]))
        joined = np.concatenate([tail, x])
        count = max(0, len(joined) // self._hop - 1)
        for row in range(count):
            piece = joined[row * self._hop : (row + 2) * self._hop]
            spectrum = np.abs(np.fft.rfft(piece * self._window[:, None], axis=0)) ** 2
            powers = self._scale * spectrum.sum(axis=1) @ self._shares
            self._rows.append(powers.astype(np.float32))
        self._tail = joined[count * self._hop :]

    def powers(self) -> Audio:
        """Powers so far, (windows, 18)."""
        return np.array(self._rows, dtype=np.float64).reshape(-1, len(IMPORTANCE))


def third_octave_powers(blocks: Iterable[Audio], rate: int) -> Audio:
    """Powers of a whole programme, (windows, 18); see `ThirdOctaves`."""
    meter = ThirdOctaves(rate)
    for block in blocks:
        meter.add(block)
    return meter.powers()
