"""De-esser: a band of the voice, turned down while it is loud."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from chainkit.dsp import kernels, storage
from chainkit.dsp.delay import Queue, Skip
from chainkit.dsp.dynamics import Reduction, to_frames
from chainkit.dsp.split import LinearSplit, MinimumSplit

Audio = NDArray[np.float64]

SENSES = ("band", "share")
PHASES = ("linear", "minimum")

# A filter of linear phase rings ahead of a sound and behind it, so that a band is there where the
# voice is not. What is this much quieter than what the filter reaches has no share of its own:
# 40 dB, farther than speech falls within its few milliseconds.
NEARBY = 0.01


class DeEsser:
    """Splits the voice and turns the band above `frequency` down; one gain for all channels.

    The output is ``base + (g − 1) band``: the base is the voice itself for linear phase, so an
    idle stage is the identity bit for bit, and the voice through an all-pass for minimum phase.
    The gain of a frame takes `lookahead` of what follows it into account. The frames that look-
    ahead and filter need, at most `latency`, are withheld, so that frames stay in their places.

    Parameters
    ----------
    rate : int, Hz
    channels : int, > 0
    frequency, upper : float, Hz, below rate / 2
        Edges of the band; no upper edge when None.
    threshold : float, dB
        dBFS of the band, or its level against the whole voice when `sense` is "share": against
        40 dB below the loudest that the band's filter reaches, where that is more, and nothing is
        turned down where the whole is below −120 dBFS.
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
        self._kind_of_split = MinimumSplit if phase == "minimum" else LinearSplit
        self._edges = rate, channels, frequency, upper
        self._split = self._new_split()
        self._reduction = Reduction(
            rate, channels, threshold=threshold, ratio=ratio, knee=knee, attack=attack,
            release=release, detector=detector, window=window, reduction_range=reduction_range,
            linked=True,
        )  # fmt: skip
        ahead = to_frames(lookahead, rate)
        self.latency = self._split.latency + ahead
        self._channels = channels
        self._withheld = 0
        self._bases = Queue(channels)
        self._bands = Queue(channels)
        self._skip = Skip(ahead)
        self._scratch = storage.empty(max(kernels.CHUNK, channels))
        self._whole = _Whole(self._split.reach, channels) if sense == "share" else None

    def process(self, x: Audio) -> tuple[Audio, Audio]:
        """The frames that are due, (n, channels), and the gain of their band in dB, (n, 1)."""
        ahead = len(self._bands)
        self._split.base(x, self._bases)
        band = self._split.band(x, self._bands)
        whole = None if self._whole is None else self._whole.of(self._bases, ahead, len(band))
        gain = self._skip.process(self._reduction.process(band, whole))
        y = storage.empty(len(gain), self._channels)
        kernels.apply_band_gain(
            self._bases.take(len(gain)), self._bands.take(len(gain)), gain, self._scratch, y
        )
        self._withheld += len(x) - len(gain)
        return y, gain

    def finish(self) -> tuple[Audio, Audio]:
        """The frames withheld and the gain of their band; silence follows the end."""
        withheld = self._withheld
        y, gain = self.process(np.zeros((self.latency, self._channels)))
        return y[:withheld], gain[:withheld]

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
        silence = np.zeros((self.latency, self._channels))
        return self._new_split().band(np.concatenate((x, silence)), Queue(self._channels))[: len(x)]

    def _new_split(self) -> LinearSplit | MinimumSplit:
        return self._kind_of_split(*self._edges)


class _Whole:
    """Magnitudes of the whole voice that a band's share is taken of.

    Parameters
    ----------
    reach : int, frames
        How far the band's filter rings to either side.
    channels : int, > 0
    """

    def __init__(self, reach: int, channels: int) -> None:
        self._reach = reach
        self._before = np.zeros((reach, channels))
        self._scratch = storage.empty(4, kernels.CHUNK + 2 * reach)

    def of(self, bases: Queue, begin: int, count: int) -> Audio:
        """Those of `count` waiting frames from number `begin` on, (count, channels)."""
        if not self._reach:
            return bases.peek(begin, count)
        heard = np.concatenate((self._before, bases.peek(begin, count + self._reach)))
        self._before = heard[count : count + self._reach].copy()
        whole = storage.empty(count, heard.shape[1])
        kernels.surrounded(heard, self._reach, NEARBY, self._scratch, whole)
        return whole


def _check_choice(name: str, value: str, allowed: tuple[str, ...]) -> None:
    if value not in allowed:
        raise ValueError(f"{name}={value!r} must be one of {', '.join(allowed)}")
