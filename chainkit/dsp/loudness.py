"""Loudness by ITU-R BS.1770-5, loudness range by EBU Tech 3342.

References
----------
.. [1] Recommendation ITU-R BS.1770-5 (11/2023), Annex 1.
.. [2] EBU Tech 3341 (V4, November 2023), "Loudness metering: 'EBU Mode' metering".
.. [3] EBU Tech 3342 (V4, November 2023), "Loudness range".
"""

from __future__ import annotations

import copy
import math
from array import array
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from chainkit.dsp.kernels_meter import hop_end, weighted_energy

HOPS_A_SECOND = 100  # momentary and short-term maxima are sought every 10 ms
TENTH = 10  # hops in the 100 ms step of the gating blocks
MOMENTARY = 4  # tenths in the 400 ms window
SHORT_TERM = 30  # tenths in the 3 s window
ABSOLUTE_GATE = -70.0  # LUFS
RELATIVE_GATE = -10.0  # LU, integrated loudness
RANGE_GATE = -20.0  # LU, loudness range
SHORTEST = MOMENTARY * TENTH / HOPS_A_SECOND
"""Seconds in a gating block, which `gating_block` counts in frames."""
_BATCH = 1000  # hops to slide the windows over at once; changes the speed only
RANGE_TAIL = 15  # tenths of silence that Tech 3342 appends to a file

_SURROUND = (1.0, 1.0, 1.0, 1.41, 1.41)  # L R C Ls Rs, BS.1770-5 Table 3
_FIVE_ONE = (1.0, 1.0, 1.0, 0.0, 1.41, 1.41)  # L R C LFE Ls Rs: the LFE is left out


def channel_weights(channels: int) -> NDArray[np.float64]:
    """Weight of each channel's power in the loudness sum.

    One to five channels are the first of L, R, C, Ls, Rs; six are L, R, C, LFE, Ls, Rs, the LFE
    left out; of more channels nothing is known, and each counts 1.

    Parameters
    ----------
    channels : int, ≥ 1

    Returns
    -------
    ndarray, (channels,)

    References
    ----------
    BS.1770-5, Annex 1, Table 3.
    """
    if channels == len(_FIVE_ONE):
        return np.array(_FIVE_ONE)
    if channels <= len(_SURROUND):
        return np.array(_SURROUND[:channels])
    return np.ones(channels)


def widening(channels: int, others: int) -> float:
    """How much more a sound counts where it meets one of `others` channels.

    A mono sound goes to each channel of the mix at its own level: to both sides of stereo, which is
    3.01 dB. Other sounds count as they are.

    Parameters
    ----------
    channels, others : int, ≥ 1

    Returns
    -------
    float, dB
    """
    if channels > 1 or others == 1:
        return 0.0
    return 10.0 * math.log10(float(channel_weights(others).sum()))


def k_weighting(rate: int) -> NDArray[np.float64]:
    """K-weighting as two second-order sections for any sample rate.

    BS.1770-5 prints the coefficients for 48 kHz (Annex 1, Tables 1 and 2) and asks that "other
    rates" have the same frequency response. Inverting the bilinear transform of the tables gives
    an analogue shelf and high-pass, which are transformed again at `rate`. The gain of the
    high-pass numerator is kept, so that the pass bands agree too. Below 32 kHz that would bend the
    shelf by up to 0.29 dB, so there it is matched to the one at 48 kHz. What is left is 0.01 dB at
    most, at 11.025 kHz 0.013 dB, and at 8 kHz 0.04 dB.

    Parameters
    ----------
    rate : int, Hz

    Returns
    -------
    ndarray, (2, 6)
        Rows b0, b1, b2, 1, a1, a2.
    """
    shelf = _shelf(rate) if rate >= _BENT_BELOW else _matched(_shelf(_TABLES), rate)
    k, q, d = _warped(38.13547087602444, 0.5003270373238773, rate)
    gain = 1.004994898714688 / d
    highpass = [gain, -2.0 * gain, gain, 1.0, 2.0 * (k * k - 1.0) / d, (1.0 - k / q + k * k) / d]
    return np.array([shelf, highpass])


_TABLES = 48000  # Hz, the rate of the tables
_BENT_BELOW = 32000  # Hz
_SHELF = 1681.974450955533  # Hz


def _shelf(rate: int) -> list[float]:
    high, band = 1.584864701130856, 1.258720930232562  # shelf gain and its middle term
    k, q, d = _warped(_SHELF, 0.7071752369554196, rate)
    return [
        (high + band * k / q + k * k) / d,
        2.0 * (k * k - high) / d,
        (high - band * k / q + k * k) / d,
        1.0,
        2.0 * (k * k - 1.0) / d,
        (1.0 - k / q + k * k) / d,
    ]


def _matched(section: list[float], rate: int) -> list[float]:
    """`section`, made for `_TABLES`, at another rate.

    The poles ring as long and as high; the numerator gives the same magnitude at DC, in the middle
    of the shelf and at half the rate (the method of M. Vicanek, "Matched second order digital
    filters", 2016; from memory).
    """
    numerator, denominator = section[:3], section[3:]
    poles = np.roots(denominator).astype(complex) ** (_TABLES / rate)
    _, a1, a2 = np.poly(poles).real.tolist()
    frequencies = np.array([0.0, _SHELF, rate / 2.0])
    z = np.exp(2j * np.pi * frequencies / _TABLES)
    wanted = np.abs(np.polyval(numerator, z) / np.polyval(denominator, z))
    z = np.exp(2j * np.pi * frequencies / rate)
    lowest, middle, highest = wanted * np.abs(np.polyval([1.0, a1, a2], z))
    # |b0·z + b1 + b2/z|² = ((b0 + b2)·cos w + b1)² + (b0 − b2)²·sin² w
    total, b1 = (lowest + highest) / 2.0, (lowest - highest) / 2.0
    difference = math.sqrt(middle**2 - (total * z[1].real + b1) ** 2) / z[1].imag
    return [(total + difference) / 2.0, b1, (total - difference) / 2.0, 1.0, a1, a2]


def _warped(frequency: float, q: float, rate: int) -> tuple[float, float, float]:
    k = math.tan(math.pi * frequency / rate)
    return k, q, 1.0 + k / q + k * k


def gating_block(rate: int) -> int:
    """Frames in a gating block, a whole number near 0.4 s: what has fewer has no loudness.

    Parameters
    ----------
    rate : int, Hz

    References
    ----------
    BS.1770-5, Annex 1: 400 ms, rounded to a whole number of samples (from memory).
    """
    return int(hop_end(MOMENTARY * TENTH - 1, rate, HOPS_A_SECOND))


def to_lufs(power: NDArray[np.float64]) -> NDArray[np.float64]:
    """Loudness of weighted mean squares, −0.691 + 10·lg Σ G·z (BS.1770-5, equation 2)."""
    with np.errstate(divide="ignore"):
        return -0.691 + 10.0 * np.log10(power)


_TRIM_STEPS = 1000  # three do as a rule; each may let a few more blocks through the gate
_TRIM_TOLERANCE = 1e-10  # LU


class LoudnessMeter:
    """Streaming loudness of one programme.

    The result is the same, bit for bit, however the programme is cut into blocks. It keeps one
    number for each channel and 100 ms.

    Parameters
    ----------
    rate : int, Hz
    channels : int
        See `channel_weights` for their order.
    """

    def __init__(self, rate: int, channels: int) -> None:
        self._rate = rate
        shelf, highpass = k_weighting(rate)
        self._weights = channel_weights(channels)
        self._gain = float(shelf[0] * highpass[0]) ** 2
        self._coefficients = (
            shelf[1] / shelf[0], shelf[2] / shelf[0], shelf[4], shelf[5], highpass[4], highpass[5],
        )  # fmt: skip
        self._place = np.zeros(2, dtype=np.int64)
        self._state = np.zeros((channels, 6))
        self._sums = np.zeros(channels)
        self._lanes = np.empty((channels, rate // HOPS_A_SECOND + 1))
        self._pending = array("d")  # hop powers the windows have not yet slid over
        self._hops = np.zeros((0, channels))  # the last 9 hop powers
        self._windows = np.zeros(0)  # the last 290 sliding 100 ms sums of all channels
        self._tenths = array("d")
        self._until_tenth = 0
        self._momentary_max = 0.0
        self._short_term_max = 0.0

    def add(self, x: NDArray[np.float64]) -> None:
        """Take the next frames.

        Parameters
        ----------
        x : ndarray, (frames, channels)
        """
        out = np.empty((len(x) * HOPS_A_SECOND // self._rate + 2, len(self._weights)))
        count = weighted_energy(
            x, self._coefficients, self._gain, self._rate, HOPS_A_SECOND,
            self._place, self._state, self._sums, self._lanes, out,
        )  # fmt: skip
        self._pending.frombytes(out[:count].tobytes())
        if len(self._pending) >= _BATCH * len(self._weights):
            self._slide()

    def _slide(self) -> None:
        """Slide the windows on; sums of shifted slices add in a fixed order."""
        fresh = np.array(self._pending).reshape(-1, len(self._weights))
        hops = np.concatenate([self._hops, fresh])
        self._pending = array("d")
        windows = _moving_sum(hops, TENTH, 1)
        self._hops = hops[-(TENTH - 1) :]
        self._tenths.frombytes(windows[self._until_tenth :: TENTH].tobytes())
        self._until_tenth = (self._until_tenth - len(windows)) % TENTH
        windows = np.concatenate([self._windows, self._of_all(windows)])
        count = len(windows) - len(self._windows)
        self._windows = windows[-TENTH * (SHORT_TERM - 1) :]
        self._momentary_max = _greatest(windows, MOMENTARY, count, self._momentary_max)
        self._short_term_max = _greatest(windows, SHORT_TERM, count, self._short_term_max)

    def _of_all(self, powers: NDArray[np.float64]) -> NDArray[np.float64]:
        """Weighted sums of the channels, added in their order."""
        total = np.zeros(len(powers))
        for channel, weight in enumerate(self._weights):
            total += weight * powers[:, channel]
        return total

    def integrated(self) -> float | None:
        """Integrated loudness in LUFS; None when no block passes the gates."""
        return _gated_mean(self._powers(MOMENTARY), RELATIVE_GATE)

    def trim_to(self, level: float) -> float | None:
        """Gain in dB after which the programme has a loudness of `level` LUFS; None without one.

        One of which nothing is above −70 LUFS has none: it is silence, and its noise is not to be
        made loud. Of any other the absolute gate is that of the trimmed programme, so that one
        recorded at another level comes out the same. The search starts from the mean of all
        blocks, which moves with the level, and so do all its steps.
        """
        return _trim(self._powers(MOMENTARY), level)

    def loudest_channel(self) -> float | None:
        """Integrated loudness in LUFS of the loudest channel; None where no channel has one.

        Each counts as a mono programme of its own, with its own gates and without a weight for its
        place; an LFE is left out.
        """
        found = [_gated_mean(powers, RELATIVE_GATE) for powers in self._channels()]
        return max((loudness for loudness in found if loudness is not None), default=None)

    def trim_loudest_to(self, level: float) -> float | None:
        """Gain in dB after which the loudest channel has a loudness of `level` LUFS.

        The least of the gains that `trim_to` would give each channel as a mono programme, of those
        that have one; None without any. So the same sound has the same gain on one channel, on
        several, and on one of several.
        """
        found = [_trim(powers, level) for powers in self._channels()]
        return min((trim for trim in found if trim is not None), default=None)

    def _channels(self) -> Iterator[NDArray[np.float64]]:
        """Mean squares in gating blocks of each channel that counts toward loudness."""
        powers = np.ascontiguousarray(self._channel_powers(MOMENTARY).T)
        return (powers[channel] for channel in np.flatnonzero(self._weights))

    def momentary_max(self) -> float | None:
        """Greatest momentary loudness (400 ms) in LUFS, on a 10 ms step; None for silence."""
        self._slide()
        return _loudness(self._momentary_max / (TENTH * MOMENTARY))

    def short_term_max(self) -> float | None:
        """Greatest short-term loudness (3 s) in LUFS, on a 10 ms step; None for silence."""
        self._slide()
        return _loudness(self._short_term_max / (TENTH * SHORT_TERM))

    def momentary(self) -> NDArray[np.float64]:
        """Momentary loudness in LUFS at 0.4, 0.5, … s; −inf for silence."""
        return to_lufs(self._powers(MOMENTARY))

    def short_term(self) -> NDArray[np.float64]:
        """Short-term loudness in LUFS at 3.0, 3.1, … s; −inf for silence."""
        return to_lufs(self._powers(SHORT_TERM))

    def range(self) -> float | None:
        """Loudness range in LU; None when nothing passes the gates.

        Spread between the 10th and the 95th percentile (nearest rank) of the short-term loudness
        above −70 LUFS and above 20 LU below its power mean (EBU Tech 3342), with 1.5 s of silence
        behind the last frame. None also where not one window of 3 s was full before.
        """
        if not self._powers(SHORT_TERM).size:
            return None
        ended = copy.deepcopy(self)
        silence = np.zeros((math.ceil(self._rate / TENTH), len(self._weights)))
        for _ in range(RANGE_TAIL):
            ended.add(silence)
        powers = ended._powers(SHORT_TERM)
        powers = np.sort(powers[powers >= _gate(powers, RANGE_GATE)])
        if not powers.size:
            return None
        low, high = (powers[_nearest_rank(len(powers), p)] for p in (10.0, 95.0))
        return float(10.0 * np.log10(high / low))

    def _powers(self, tenths: int) -> NDArray[np.float64]:
        """Weighted mean squares in windows of so many 100 ms steps, one a step."""
        return self._of_all(self._channel_powers(tenths))

    def _channel_powers(self, tenths: int) -> NDArray[np.float64]:
        """The same of each channel by itself, (steps, channels)."""
        self._slide()
        each = np.array(self._tenths).reshape(-1, len(self._weights))
        return _moving_sum(each, tenths, 1) / (TENTH * tenths)


def _trim(powers: NDArray[np.float64], level: float) -> float | None:
    """See `LoudnessMeter.trim_to`, of mean squares in gating blocks."""
    if _gated_mean(powers, RELATIVE_GATE) is None:
        return None
    trim = level - to_lufs(powers.mean())
    for _ in range(_TRIM_STEPS):
        found = _gated_mean(powers * 10.0 ** (trim / 10.0), RELATIVE_GATE)
        if found is None or abs(level - found) < _TRIM_TOLERANCE:
            break
        trim += level - found
    return float(trim)


def _moving_sum(values: NDArray[np.float64], count: int, step: int) -> NDArray[np.float64]:
    """Add up `count` values that stand `step` apart, wherever all of them exist."""
    length = max(0, len(values) - (count - 1) * step)
    total = np.zeros((length, *values.shape[1:]))
    for i in range(count):
        total += values[i * step : i * step + length]
    return total


def _greatest(windows: NDArray[np.float64], tenths: int, fresh: int, so_far: float) -> float:
    reach = (tenths - 1) * TENTH
    sums = _moving_sum(windows[-(fresh + reach) :], tenths, TENTH)
    return max(so_far, float(sums.max(initial=0.0)))


def _gate(powers: NDArray[np.float64], relative: float) -> float:
    """Mean square at the relative gate, or at the absolute one where that is higher."""
    absolute = 10.0 ** ((ABSOLUTE_GATE + 0.691) / 10.0)
    kept = powers[powers > absolute]
    if not kept.size:
        return math.inf
    return max(absolute, float(kept.mean()) * 10.0 ** (relative / 10.0))


def _gated_mean(powers: NDArray[np.float64], relative: float) -> float | None:
    kept = powers[powers > _gate(powers, relative)]
    return _loudness(float(kept.mean())) if kept.size else None


def _loudness(power: float) -> float | None:
    return -0.691 + 10.0 * math.log10(power) if power > 0.0 else None


def _nearest_rank(count: int, percent: float) -> int:
    """Index of a percentile by nearest rank, as in the listing of Tech 3342."""
    return math.floor((count - 1) * percent / 100.0 + 0.5)
