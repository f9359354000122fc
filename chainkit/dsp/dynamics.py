"""Compression: static curve, time constants, detector, and the compressor built of them."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from chainkit.dsp import filters, kernels, storage
from chainkit.dsp.cascade import Cascade
from chainkit.dsp.delay import Queue, Skip

Audio = NDArray[np.float64]

DETECTORS = ("peak", "rms")


def static_gain(level_db: ArrayLike, threshold: float, ratio: float, knee: float) -> Audio:
    """Gain of the static curve for steady levels.

    Parameters
    ----------
    level_db : array_like, dB
        Any shape; −inf is silence.
    threshold : float, dB
    ratio : float, >= 1, inf allowed
    knee : float, dB, >= 0
        Width of the quadratic knee, centred on the threshold.

    Returns
    -------
    ndarray, dB, the shape of `level_db`
        0 below the knee, −(1 − 1/ratio)(level − threshold + knee/2)² / (2 knee) inside it,
        −(1 − 1/ratio)(level − threshold) above it.

    Raises
    ------
    ValueError
        If `ratio` or `knee` is out of range.

    References
    ----------
    D. Giannoulis, M. Massberg, J. D. Reiss, "Digital Dynamic Range Compressor Design – A
    Tutorial and Analysis", J. Audio Eng. Soc. 60(6), 2012.
    """
    _check_curve(ratio, knee)
    levels = np.ascontiguousarray(level_db, dtype=np.float64)
    gains = np.empty_like(levels)
    kernels.soft_knee(
        levels.ravel(), float(threshold), 1.0 - 1.0 / ratio, float(knee), gains.ravel()
    )
    return gains


def smoothing(seconds: float, rate: float) -> float:
    """Coefficient of a one-pole follower, exp(−1 / (seconds · rate)); 0 for 0 seconds.

    After `seconds` a step of the gain in dB has gone 1 − 1/e of its way.

    Parameters
    ----------
    seconds : float, >= 0
    rate : float, Hz, > 0

    Raises
    ------
    ValueError
        If `seconds` is negative.
    """
    if not seconds >= 0:
        raise ValueError(f"seconds={seconds} must not be negative")
    return math.exp(-1.0 / (seconds * rate)) if seconds * rate > 0 else 0.0


def to_frames(seconds: float, rate: float) -> int:
    """The nearest whole number of frames in a time."""
    return round(seconds * rate)


class Reduction:
    """The gain in dB that a detector, a static curve, attack and release ask for.

    What the field calls level detection and gain computer, with the smoothing behind them
    (Giannoulis, Massberg, Reiss 2012, see `static_gain`).

    The level of a frame is the greatest magnitude ("peak") or the root mean square ("rms") of the
    frames in a trailing window, that frame included; before the start there is silence. With
    `linked` the loudest channel decides for all: the one with the greatest peak or mean square.
    Levels end at −400 dB.

    Parameters
    ----------
    rate : int, Hz
    channels : int, > 0
    threshold : float, dB
    ratio : float, >= 1, inf allowed
    knee : float, dB, >= 0
    attack, release : float, seconds, >= 0
    detector : {"peak", "rms"}
    window : float, seconds, >= 0
        0 takes each frame by itself.
    reduction_range : float or None, dB, >= 0
        Greatest reduction.
    linked : bool
        One gain for all channels, or one for each.

    Raises
    ------
    ValueError
        If a value is out of range.
    """

    def __init__(
        self,
        rate: int,
        channels: int,
        *,
        threshold: float,
        ratio: float,
        knee: float,
        attack: float,
        release: float,
        detector: str,
        window: float,
        reduction_range: float | None,
        linked: bool,
    ) -> None:
        _check_curve(ratio, knee)
        _check_detector(detector, window)
        self.lanes = 1 if linked else channels
        self._squared = detector == "rms"
        self._folded = linked and not self._squared
        self._rows = 1 if self._folded else channels
        self._width = max(to_frames(window, rate), 1)
        deepest = -math.inf if reduction_range is None else -float(reduction_range)
        self._settings = (
            self._width, self._squared, float(threshold), 1.0 - 1.0 / ratio, float(knee),
            smoothing(attack, rate), smoothing(release, rate), deepest,
        )  # fmt: skip
        self._heard = [np.zeros((self._rows, self._width - 1)) for _ in ("key", "against")]
        self._states = np.zeros((self.lanes, 2))
        self._position = 0
        chunk = max(kernels.CHUNK, self._width)
        self._scratch = storage.empty(4, -(-(chunk + self._width) // 8) * 8)

    def process(self, key: Audio, against: Audio | None = None) -> Audio:
        """Gain of the next block.

        Parameters
        ----------
        key : ndarray, (frames, channels)
            What the detector hears.
        against : ndarray, (frames, channels), optional
            With it the level is that of `key` against it, in dB; that of silence where it is below
            −120 dBFS.

        Returns
        -------
        ndarray, (frames, lanes), dB
        """
        blocks = (key,) if against is None else (key, against)
        self._heard = [self._magnitudes(*pair) for pair in zip(blocks, self._heard, strict=False)]
        keys = self._heard[0]
        voices = keys[:0] if against is None else self._heard[1]
        gains = storage.empty(self.lanes, len(key))
        for lane in range(self.lanes):
            rows = slice(None) if self.lanes == 1 else slice(lane, lane + 1)
            kernels.reduction(
                keys[rows], voices[rows], *self._settings, self._position,
                self._states[lane], self._scratch, gains[lane],
            )  # fmt: skip
        self._position += len(key)
        self._forget(len(key))
        return self._side_by_side(gains)

    def _side_by_side(self, gains: Audio) -> Audio:
        """(lanes, frames) as (frames, lanes)."""
        if self.lanes == 1:
            return gains.T
        lanes = storage.empty(*gains.T.shape)
        kernels.put_channels(gains, 0, lanes)
        return lanes

    def _magnitudes(self, x: Audio, rows: Audio) -> Audio:
        """`rows` with the magnitudes or squares of `x` behind the history that they begin with."""
        history = self._width - 1
        rows = storage.extended(rows, history, len(x))
        kernels.magnitudes(x, self._squared, self._folded, history, rows)
        return rows

    def _forget(self, count: int) -> None:
        """Leave the history that the next block needs."""
        history = self._width - 1
        for rows in self._heard:
            rows[:, :history] = rows[:, count : count + history]


class Compressor:
    """Feed-forward compressor.

    Level in dB → static curve → attack and release on the gain in dB → range → gain → makeup →
    mix. The gain of a frame takes `lookahead` of what follows it into account; that many frames
    are withheld, so that frames stay in their places, and silence follows the end.

    Parameters
    ----------
    rate : int, Hz
    channels : int, > 0
    threshold : float, dBFS
    ratio : float, >= 1, inf allowed
    knee : float, dB, >= 0
    attack, release, lookahead, window : float, seconds, >= 0
    detector : {"peak", "rms"}
    sidechain_highpass : float or None, Hz
        Corner of a second-order Butterworth high-pass ahead of the detector.
    reduction_range : float or None, dB, >= 0
        Greatest reduction.
    makeup : float, dB
    mix : float, 0 to 1
        Share of the compressed signal, makeup included; the rest is the input.
    link : bool
        One gain for all channels.

    Raises
    ------
    ValueError
        If a value is out of range.
    """

    def __init__(
        self,
        rate: int,
        channels: int,
        *,
        threshold: float,
        ratio: float,
        knee: float,
        attack: float,
        release: float,
        lookahead: float,
        detector: str,
        window: float,
        sidechain_highpass: float | None,
        reduction_range: float | None,
        makeup: float,
        mix: float,
        link: bool,
    ) -> None:
        if not 0 <= mix <= 1:
            raise ValueError(f"mix={mix} must be between 0 and 1")
        self.latency = to_frames(lookahead, rate)
        self._channels = channels
        self._reduction = Reduction(
            rate, channels, threshold=threshold, ratio=ratio, knee=knee, attack=attack,
            release=release, detector=detector, window=window, reduction_range=reduction_range,
            linked=link,
        )  # fmt: skip
        self._sidechain = _sidechain(rate, channels, sidechain_highpass)
        self._waiting = Queue(channels)
        self._skip = Skip(self.latency)
        self._makeup = float(makeup)
        self._mix = float(mix)
        self._scratch = storage.empty(max(kernels.CHUNK, channels))
        self.idle_db = float(self._whole_gain(np.zeros((1, 1)))[0, 0])

    def process(self, x: Audio) -> tuple[Audio, Audio]:
        """The frames that are due and their gain in dB, (n, channels) and (n, lanes)."""
        key = x if self._sidechain is None else self._sidechain.process(x)
        gain = self._whole_gain(self._skip.process(self._reduction.process(key)))
        due = self._waiting.exchange(x, len(gain))
        y = storage.empty(*due.shape)
        kernels.apply_gain(due, gain, self._scratch, y)
        return y, gain

    def finish(self) -> tuple[Audio, Audio]:
        """The frames withheld and their gain."""
        return self.process(np.zeros((self.latency, self._channels)))

    def _whole_gain(self, reduction: Audio) -> Audio:
        gain = reduction + self._makeup if self._makeup else reduction
        if self._mix < 1.0:
            kernels.blend(gain.ravel(), self._mix, self._scratch)
        return gain


def _sidechain(rate: int, channels: int, corner: float | None) -> Cascade | None:
    if corner is None:
        return None
    return Cascade(filters.butterworth("highpass", rate, corner, 2), channels)


def _check_curve(ratio: float, knee: float) -> None:
    if not ratio >= 1:
        raise ValueError(f"ratio={ratio} must be at least 1")
    if not knee >= 0:
        raise ValueError(f"knee={knee} must not be negative")


def _check_detector(detector: str, window: float) -> None:
    if detector not in DETECTORS:
        raise ValueError(f"detector={detector!r} must be one of {', '.join(DETECTORS)}")
    if not window >= 0:
        raise ValueError(f"window={window} must not be negative")
