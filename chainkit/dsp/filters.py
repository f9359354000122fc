"""Filter design: cookbook biquads, Butterworth, Linkwitz–Riley, the linear-phase split.

Settings in, coefficients out; nothing here runs a filter. Recursive designs are rows of scipy's
``sos`` form, ``[b0, b1, b2, 1, a1, a2]``, which stand for

    y[n] = b0 x[n] + b1 x[n−1] + b2 x[n−2] − a1 y[n−1] − a2 y[n−2].

Each biquad is written as its analogue prototype, a ratio of two triples (s², s, 1) with its
frequency at 1 rad/s, and goes through one prewarped bilinear transform. Expanded, that gives the
cookbook's coefficients.

References
----------
R. Bristow-Johnson, *Cookbook formulae for audio EQ biquad filter coefficients* (W3C Audio Working
Group Note "Audio EQ Cookbook").
"""

from __future__ import annotations

import math
from collections.abc import Collection

import numpy as np
from numpy.typing import ArrayLike, NDArray

Sections = NDArray[np.float64]
Triple = tuple[float, float, float]

BUTTERWORTH_ORDERS = range(1, 9)
BUTTERWORTH_Q = math.sqrt(0.5)

# The split's stop band, and its pass-band ripple by symmetry: 84 dB. Turning the high band right
# off then moves the low band by less than 0.0006 dB.
SPLIT_ATTENUATION = 84.0
# Width of the split's transition in octaves about its edge.
SPLIT_TRANSITION = 1 / 3
# Narrowest transition against the edge, where half the rate or the other edge leave no room.
SPLIT_NARROWEST = 1 / 50


# ---------------------------------------------------------------------- biquads of the cookbook
def lowpass(rate: float, frequency: float, q: float) -> Sections:
    """Second-order low-pass, 20·log10(q) dB at `frequency`.

    Parameters
    ----------
    rate : float, Hz
    frequency : float, Hz, 0 < frequency < rate / 2
    q : float, > 0

    Returns
    -------
    ndarray, (1, 6)

    Raises
    ------
    ValueError
        If `frequency` or `q` is out of range.
    """
    return _biquad(
        rate, frequency,
        (0.0, 0.0,         1.0),
        (1.0, _damping(q), 1.0),
    )  # fmt: skip


def highpass(rate: float, frequency: float, q: float) -> Sections:
    """Second-order high-pass, 20·log10(q) dB at `frequency`; parameters as `lowpass`."""
    return _biquad(
        rate, frequency,
        (1.0, 0.0,         0.0),
        (1.0, _damping(q), 1.0),
    )  # fmt: skip


def notch(rate: float, frequency: float, q: float) -> Sections:
    """Notch with a zero at `frequency`; parameters as `lowpass`."""
    return _biquad(
        rate, frequency,
        (1.0, 0.0,         1.0),
        (1.0, _damping(q), 1.0),
    )  # fmt: skip


def allpass(rate: float, frequency: float, q: float) -> Sections:
    """All-pass, turning the phase by −180° at `frequency`; parameters as `lowpass`."""
    return _biquad(
        rate, frequency,
        (1.0, -_damping(q), 1.0),
        (1.0,  _damping(q), 1.0),
    )  # fmt: skip


def bell(rate: float, frequency: float, gain: float, q: float) -> Sections:
    """Bell, `gain` dB at `frequency`, half of it at its edges, 0 dB far off.

    Parameters
    ----------
    rate : float, Hz
    frequency : float, Hz, 0 < frequency < rate / 2
    gain : float, dB
    q : float, > 0
        A boost and a cut of the same `q` cancel.

    Returns
    -------
    ndarray, (1, 6)

    Raises
    ------
    ValueError
        If `frequency` or `q` is out of range.
    """
    amplitude = 10 ** (gain / 40)
    return _biquad(
        rate, frequency,
        (1.0, _damping(q) * amplitude, 1.0),
        (1.0, _damping(q) / amplitude, 1.0),
    )  # fmt: skip


def low_shelf(rate: float, frequency: float, gain: float, q: float) -> Sections:
    """Low shelf, `gain` dB at DC, half of it at `frequency`; parameters as `bell`."""
    amplitude = 10 ** (gain / 40)
    slope = math.sqrt(amplitude) * _damping(q)
    return _biquad(
        rate, frequency,
        (amplitude, slope * amplitude, amplitude**2),
        (amplitude, slope,             1.0),
    )  # fmt: skip


def high_shelf(rate: float, frequency: float, gain: float, q: float) -> Sections:
    """High shelf, `gain` dB at half the rate, half of it at `frequency`; parameters as `bell`."""
    amplitude = 10 ** (gain / 40)
    slope = math.sqrt(amplitude) * _damping(q)
    return _biquad(
        rate, frequency,
        (amplitude**2, slope * amplitude, amplitude),
        (1.0,          slope,             amplitude),
    )  # fmt: skip


# --------------------------------------------------------------------------- pass filters, split
def butterworth(kind: str, rate: float, frequency: float, order: int) -> Sections:
    """Butterworth pass filter, −3.01 dB at `frequency`, 6·`order` dB per octave.

    Parameters
    ----------
    kind : "lowpass" or "highpass"
    rate : float, Hz
    frequency : float, Hz, 0 < frequency < rate / 2
    order : int, 1 to 8

    Returns
    -------
    ndarray, (ceil(order / 2), 6)
        A first-order section (b2 = a2 = 0) where the order is odd, then ascending Q.

    Raises
    ------
    ValueError
        If `kind`, `frequency` or `order` is not one of those.
    """
    _check_choice("kind", kind, ("lowpass", "highpass"))
    second_order = lowpass if kind == "lowpass" else highpass
    sections = [second_order(rate, frequency, q) for q in butterworth_qs(order)]
    if order % 2:
        sections.insert(0, _first_order(kind, rate, frequency))
    return np.vstack(sections)


def butterworth_qs(order: int) -> list[float]:
    """Q of each second-order section of a Butterworth filter, ascending.

    Q_k = 1 / (2 sin((2k−1)π / 2n)), k = floor(n/2) … 1: the poles lie evenly on the circle
    (textbook, from memory). An odd order has a first-order section besides.

    Parameters
    ----------
    order : int, 1 to 8

    Raises
    ------
    ValueError
        If `order` is out of range.
    """
    _check_choice("order", order, BUTTERWORTH_ORDERS)
    return [0.5 / math.sin((2 * k - 1) * math.pi / (2 * order)) for k in range(order // 2, 0, -1)]


def linkwitz_riley(rate: float, frequency: float) -> tuple[Sections, Sections]:
    """Fourth-order Linkwitz–Riley pair: both −6.02 dB at `frequency`, low + high is all-pass.

    Parameters
    ----------
    rate : float, Hz
    frequency : float, Hz, 0 < frequency < rate / 2

    Returns
    -------
    low, high : ndarray, (2, 6) each
        Their sum is `allpass` with Q 1/√2.

    Raises
    ------
    ValueError
        If `frequency` is out of range.

    References
    ----------
    S. Linkwitz, "Active Crossover Networks for Noncoincident Drivers", J. Audio Eng. Soc. 24(1),
    1976: two Butterworth sections in a row.
    """
    low = lowpass(rate, frequency, BUTTERWORTH_Q)
    high = highpass(rate, frequency, BUTTERWORTH_Q)
    return np.vstack([low, low]), np.vstack([high, high])


def split_fir(rate: float, frequency: float, upper: float | None = None) -> NDArray[np.float64]:
    """Taps of the high band of a linear-phase split; the low band is the rest.

    A windowed sine integral: −6.02 dB at each edge, a stop band below −80 dB, a pass band flat
    within 0.001 dB, nothing at DC. The ripples of two edges add up, to −78 dB and 0.0012 dB. An
    edge nearer to half the rate than a hundredth of `frequency`, or to the other edge than a
    fiftieth, is no longer so exact: 1 Hz below half of 192 kHz it lies at −52.5 dB, 1 Hz below half
    of 8 kHz at −25.0 dB, with a stop band below −79 dB. The delay is (taps − 1) / 2 frames.

    Parameters
    ----------
    rate : float, Hz
    frequency : float, Hz, 0 < frequency < rate / 2
        Lower edge of the band.
    upper : float, Hz, frequency < upper < rate / 2, optional
        Upper edge; without it the band reaches half the rate.

    Returns
    -------
    ndarray, (odd,)
        Symmetric to the bit. The length is (84 − 7.95) / (14.36 · transition / rate) rounded up
        to odd: Kaiser's rule for 84 dB. The transition is a third of an octave about
        `frequency`, 0.2316 · frequency; or what room there is between the edges, or on both
        sides of the last edge up to half the rate, where that is less; but never below a
        fiftieth of `frequency`, so that the length stays bounded. 5.5 kHz at 48 kHz takes 201
        taps.

    Raises
    ------
    ValueError
        If an edge is out of range.

    References
    ----------
    J. F. Kaiser, "Nonrecursive digital filter design using the I0-sinh window function", Proc.
    IEEE Int. Symp. Circuits and Systems, 1974 (β and length rule from memory).
    """
    _check_frequency(rate, frequency)
    if upper is None:
        half = _split_half_length(rate, frequency, rate - 2 * frequency)
        rest = _lowpass_half(rate, frequency, half)
        return _mirrored(_impulse_half(half) - rest)
    _check_frequency(rate, upper)
    if upper <= frequency:
        raise ValueError(f"upper={upper} Hz must lie above frequency={frequency} Hz")
    half = _split_half_length(rate, frequency, min(upper - frequency, rate - 2 * upper))
    return _mirrored(_lowpass_half(rate, upper, half) - _lowpass_half(rate, frequency, half))


# --------------------------------------------------------------------------------- widths to Q
def q_from_bandwidth(
    octaves: float, rate: float | None = None, frequency: float | None = None
) -> float:
    """Q of a bell, band-pass or notch from its width between half-gain or −3.01 dB edges.

    1/Q = 2 sinh(ln 2 / 2 · octaves) for the analogue prototype. With `rate` and `frequency` the
    argument of sinh is stretched by w0 / sin w0, the cookbook's answer to the bilinear
    transform's warping; the true width is then within about 1 % up to an octave wide and a
    quarter of the rate.

    Parameters
    ----------
    octaves : float, > 0
    rate, frequency : float, Hz, optional

    Raises
    ------
    ValueError
        If `octaves` or `frequency` is out of range.
    """
    _check_positive("octaves", octaves)
    return 0.5 / math.sinh(math.log(2) / 2 * octaves * _stretch(rate, frequency))


def bandwidth_from_q(q: float, rate: float | None = None, frequency: float | None = None) -> float:
    """Width in octaves that has the given Q; the inverse of `q_from_bandwidth`.

    Parameters
    ----------
    q : float, > 0
    rate, frequency : float, Hz, optional

    Raises
    ------
    ValueError
        If `q` or `frequency` is out of range.
    """
    _check_positive("q", q)
    return math.asinh(0.5 / q) * 2 / math.log(2) / _stretch(rate, frequency)


def _stretch(rate: float | None, frequency: float | None) -> float:
    """w0 / sin w0, the cookbook's allowance for the bilinear transform; 1 for the prototype."""
    if rate is None or frequency is None:
        return 1.0
    _check_frequency(rate, frequency)
    w0 = 2 * math.pi * frequency / rate
    return w0 / math.sin(w0)


# ------------------------------------------------------------------------------------ responses
def response(sos: ArrayLike, frequencies: ArrayLike, rate: float) -> NDArray[np.complex128]:
    """Complex frequency response of a cascade.

    Parameters
    ----------
    sos : array_like, (sections, 6)
    frequencies : array_like, Hz, any shape
    rate : float, Hz

    Returns
    -------
    ndarray, the shape of `frequencies`
    """
    w = 2 * np.pi * np.asarray(frequencies, dtype=np.float64) / rate
    total = np.ones(w.shape, dtype=np.complex128)
    for section in np.atleast_2d(np.asarray(sos, dtype=np.float64)):
        total *= _centred(section[:3], w) / _centred(section[3:], w)
    return total


def pole_frequencies(sos: ArrayLike, rate: float) -> NDArray[np.float64]:
    """Where the sections with a pair of complex poles ring.

    Parameters
    ----------
    sos : array_like, (sections, 6)
    rate : float, Hz

    Returns
    -------
    ndarray, (pairs,), Hz
        The angle of each pair's poles, arccos(−a1 / (2 √a2)).
    """
    _, a1, a2 = np.atleast_2d(np.asarray(sos, dtype=np.float64))[:, 3:].T
    paired = a1**2 < 4.0 * a2
    return rate / (2.0 * np.pi) * np.arccos(-a1[paired] / (2.0 * np.sqrt(a2[paired])))


def fir_response(taps: ArrayLike, frequencies: ArrayLike, rate: float) -> NDArray[np.float64]:
    """Zero-phase response of symmetric taps: real, its sign kept, the delay left out.

    Parameters
    ----------
    taps : array_like, (odd,)
    frequencies : array_like, Hz, any shape
    rate : float, Hz

    Returns
    -------
    ndarray, the shape of `frequencies`

    Raises
    ------
    ValueError
        If the taps are not symmetric about a middle one.
    """
    taps = np.asarray(taps, dtype=np.float64)
    if len(taps) % 2 == 0 or not np.array_equal(taps, taps[::-1]):
        raise ValueError(f"{len(taps)} taps given; they must be odd in number and symmetric")
    middle = len(taps) // 2
    w = 2 * np.pi * np.asarray(frequencies, dtype=np.float64) / rate
    half = 2 * taps[middle:]
    half[0] = taps[middle]
    return np.cos(w[..., np.newaxis] * np.arange(middle + 1)) @ half


# ------------------------------------------------------------------------- bilinear transform
def _biquad(rate: float, frequency: float, numerator: Triple, denominator: Triple) -> Sections:
    """Bilinear transform of one second-order prototype: s ← (1/k)(1 − z⁻¹)/(1 + z⁻¹)."""
    k = _prewarped(rate, frequency)
    a0 = denominator[0] + denominator[1] * k + denominator[2] * k**2
    b = _second_order(numerator, k, a0)
    a = _second_order(denominator, k, a0)
    return np.array([[*b, 1.0, *a[1:]]])


def _second_order(prototype: Triple, k: float, a0: float) -> Triple:
    """Coefficients of z⁰, z⁻¹, z⁻² of one polynomial, over a0.

    Their sum is the response at DC, their alternating sum that at half the rate. Where either is
    small, the three nearly cancel and their rounding would show. So the last one is taken from
    the smaller sum, known to full precision: the response far below the rate gains an order of
    magnitude, and zeros at DC or at half the rate are exact.
    """
    p2, p1, p0 = prototype
    at_dc, at_half = 4 * p0 * k**2 / a0, 4 * p2 / a0
    c0 = (p2 + p1 * k + p0 * k**2) / a0
    c1 = 2 * (p0 * k**2 - p2) / a0
    c2 = at_dc - (c0 + c1) if at_dc < at_half else at_half - (c0 - c1)
    return c0, c1, c2


def _first_order(kind: str, rate: float, frequency: float) -> Sections:
    """Butterworth's first-order section, 1/(s + 1) or s/(s + 1), with b2 = a2 = 0."""
    k = _prewarped(rate, frequency)
    a0 = 1 + k
    a1 = (k - 1) / a0
    b0, b1 = (k / a0, k / a0) if kind == "lowpass" else (1 / a0, -1 / a0)
    return np.array([[b0, b1, 0.0, 1.0, a1, 0.0]])


def _damping(q: float) -> float:
    _check_positive("q", q)
    return 1 / q


def _prewarped(rate: float, frequency: float) -> float:
    _check_frequency(rate, frequency)
    return math.tan(math.pi * frequency / rate)


def _centred(c: NDArray[np.float64], w: NDArray[np.float64]) -> NDArray[np.complex128]:
    """c0 + c1 z⁻¹ + c2 z⁻² times z, so that nothing cancels near w = 0.

    The factor z drops out of a ratio of two.
    """
    at_dc = math.fsum(c)
    even = at_dc - 2 * (c[0] + c[2]) * np.sin(w / 2) ** 2
    return even + 1j * (c[0] - c[2]) * np.sin(w)


# ------------------------------------------------------------------------------- windowed sinc
def _split_half_length(rate: float, edge: float, room: float) -> int:
    """Taps on each side of the middle one, by Kaiser's rule; `room` bounds the transition."""
    third_of_octave = edge * 2 * math.sinh(math.log(2) / 2 * SPLIT_TRANSITION)
    transition = max(min(third_of_octave, room), SPLIT_NARROWEST * edge)
    return math.ceil((SPLIT_ATTENUATION - 7.95) / (14.36 * transition / rate) / 2)


def _lowpass_half(rate: float, edge: float, half: int) -> NDArray[np.float64]:
    """Right half of a windowed-sinc low-pass, middle tap first, gain 1 at DC."""
    beta = 0.1102 * (SPLIT_ATTENUATION - 8.7)
    window = np.kaiser(2 * half + 1, beta)[half:]
    taps = np.sinc(2 * edge / rate * np.arange(half + 1)) * window
    return taps / (taps[0] + 2 * taps[1:].sum())


def _impulse_half(half: int) -> NDArray[np.float64]:
    impulse = np.zeros(half + 1)
    impulse[0] = 1.0
    return impulse


def _mirrored(half: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.concatenate([half[:0:-1], half])


# --------------------------------------------------------------------------------------- checks
def _check_frequency(rate: float, frequency: float) -> None:
    if not 0 < frequency < rate / 2:
        raise ValueError(f"frequency={frequency} Hz must lie between 0 and {rate / 2:g} Hz")


def _check_positive(name: str, value: float) -> None:
    if not 0 < value < math.inf:
        raise ValueError(f"{name}={value} must be positive and finite")


def _check_choice(name: str, value: object, allowed: Collection[object]) -> None:
    if value not in allowed:
        raise ValueError(f"{name}={value!r} must be one of {', '.join(map(str, allowed))}")
