"""De-esser: a band of the voice, turned down while it is loud."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from chainkit.dsp import kernels
from chainkit.dsp.delay import Queue, Skip
from chainkit.dsp.dynamics import Reduction, to_frames
from chainkit.dsp.split import LinearSplit, MinimumSplit

Audio = NDArray[np.float64]

SENSES = ("band", "share")
PHASES = ("linear", "minimum")


class DeEsser:
    """Splits the voice and turns the band above `frequency` down; one gain for all channels.

    The output is ``base + (g − 1) band``: the base is the voice itself for linear phase, so an
    idle stage is the identity bit for bit, and the voice through an all-pass for minimum phase.
    The gain of a frame takes `lookahead` of what follows it into account. The frames that look-
    ahead and filter need are withheld, so that frames stay in their places.

    Parameters
    ----------
    rate : int, Hz
    channels : int, > 0
    frequency, upper : float, Hz, below rate / 2
        Edges of the band; no upper edge when None.
    threshold : float, dB
        dBFS of the band, or its level against the whole voice when `sense` is "share".
    sense : {"band", "share"}
    ratio : float, >= 1, inf allowed
    knee : float, dB, >= 0
    reduction_range : float or None, dB, >= 0
        Greatest reduction.
    attack, release, lookahead, window : float, seconds, >= 0
    detector : {"peak", "rms"}
    phase : {"linear", "minimum"}

    Raises
    ------
    ValueError
        If a value is out of range.
    """

    idle_db = 0.0

    def __init__(
        self,
        rate: int,
        channels: int,
        *,
        frequency: float,
        upper: float | None,
        threshold: float,
        sense: str,
        ratio: float,
        knee: float,
        reduction_range: float | None,
        attack: float,
        release: float,
        lookahead: float,
        detector: str,
        window: float,
        phase: str,
    ) -> None:
        _check_choice("sense", sense, SENSES)
        _check_choice("phase", phase, PHASES)
        self._shared = sense == "share"
        self._kind_of_split = MinimumSplit if phase == "minimum" else LinearSplit
        self._edges = rate, channels, frequency, upper
        self._split = self._new_split()
        self._reduction = Reduction(
            rate, channels, threshold=threshold, ratio=ratio, knee=knee, attack=attack,
            release=release, detector=detector, window=window, reduction_range=reduction_range,
            linked=True,
        )  # fmt: skip
        self._ahead = to_frames(lookahead, rate)
        self._channels = channels
        self.latency = self._split.latency + self._ahead
        self._bases = Queue(channels)
        self._bands = Queue(channels)
        self._skip = Skip(self._ahead)
        self._scratch = np.empty(kernels.CHUNK)

    def process(self, x: Audio) -> tuple[Audio, Audio]:
        """The frames that are due, (n, channels), and the gain of their band in dB, (n, 1)."""
        return self._turn_down(*self._split.process(x))

    def finish(self) -> tuple[Audio, Audio]:
        """The frames withheld and the gain of their band."""
        rest = self._turn_down(*self._split.finish())
        silence = np.zeros((self._ahead, self._channels))
        last = self._turn_down(silence, silence)
        return np.concatenate((rest[0], last[0])), np.concatenate((rest[1], last[1]))

    def band(self, x: Audio) -> Audio:
        """The band of a whole voice that the gain acts on.

        Parameters
        ----------
        x : ndarray, (frames, channels)

        Returns
        -------
        ndarray, (frames, channels)
            Aligned with the output: output = base + (g − 1) band.
        """
        split = self._new_split()
        return np.concatenate((split.process(x)[1], split.finish()[1]))

    def _new_split(self) -> LinearSplit | MinimumSplit:
        return self._kind_of_split(*self._edges)

    def _turn_down(self, base: Audio, band: Audio) -> tuple[Audio, Audio]:
        gain = self._skip.process(self._reduction.process(band, base if self._shared else None))
        base = self._bases.exchange(base, len(gain))
        band = self._bands.exchange(band, len(gain))
        y = np.empty_like(base)
        kernels.apply_band_gain(base, band, gain, self._scratch, y)
        return y, gain


def _check_choice(name: str, value: str, allowed: tuple[str, ...]) -> None:
    if value not in allowed:
        raise ValueError(f"{name}={value!r} must be one of {', '.join(allowed)}")
