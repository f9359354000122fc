"""Finds mains hum: lines at multiples of 50 or 60 Hz that stand still through the whole recording.

The signal is brought down to about 2 kHz and cut into windows of 0.5 s. Each window gives a complex
amplitude X at each multiple and the power N of its surroundings 6 to 14 Hz away. A line of
constant amplitude and frequency is estimated best by adding up X / N over the windows in phase
(a matched filter in noise that changes): what counts are the pauses, in which N is small, and a
sung note, loud as it may be, counts for little there. So a line must be present in the pauses, and
a note that comes and goes is none.

Mains drifts, so phases are followed over 8 s at a time, and all multiples share one offset from
the nominal frequency, sought within ±0.1 Hz. A multiple of both 50 and 60 does not tell which it
is. A line is steady when four in five of the windows quiet enough to show it do show it. Beats that
come twice a second fill each of these windows alike, so steady lines are also looked at in frames
of 0.125 s: between the beats a hum is as strong, though a voice may hide some of its lines; of a
drum no line is. Hum is reported when two multiples of one kind are steady, or the fundamental
alone; lines without their fundamental, or a fundamental alone, only where they are quiet: else it
is a note that is held. Once there is hum, its other multiples count as well that are there in phase
and in the quietest tenth of the windows.

Noise breaks up the frames of a faint hum: what is 30 dB below the source and seen in two multiples
is a hint, if there are pauses. What rounding leaves of a sound that repeats, such as a vibrato,
repeats as well: lines that stand still, about which nothing pauses.

In the frames weakest against strongest is above 0.82 for hum at -60 dBFS under 50 demo voices, 0.71
in the most lasting line under a voice at 100 to 120 Hz, and below 0.6 for strokes that die by 1/e
in up to 0.4 s. Hum in noise lasts to 0.29 and more, 30 dB below the source; drums that last to 0.42
lie no further than 11 dB below theirs. About its lines the quietest tenth is at 0.0001 of the mean
under a voice with noise, at 0.99 about what 24 bits leave of a vibrato. The thresholds were chosen
on made voices; they are no published values.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from chainkit.dsp import filters
from chainkit.dsp.decimation import Decimator

Audio = NDArray[np.float64]

MAINS = (50, 60)  # Hz
HIGHEST = 500.0  # Hz, of the multiples
SHARED = 300.0  # Hz, of both
REDUCED_RATE = 2000  # Hz, at least
WINDOW = 0.5  # seconds
AROUND = (-14.0, -12.0, -8.0, -6.0, 6.0, 8.0, 12.0, 14.0)  # Hz
FOLLOWED = 32  # windows in phase: 8 s
OFFSETS = np.linspace(-0.1, 0.1, 41)  # Hz
FAINTEST = 1e-13  # power, −130 dBFS, at which a window counts as digital silence
CLEAR = 16.0  # power of a line against what noise alone gives
CLEAR_ALONE = 100.0  # the same for a fundamental without multiples
QUIET = 0.1  # of the power below 600 Hz, under which a part of a note's lines is hum
VISIBLE = 4.0  # power of a line against a window's noise that shows it
AGREEING, STEADY_SHARE = (0.5, 2.0), 0.8  # of its amplitude; of the windows that show it
LEAST_WINDOWS, LEAST_SHARE = 8, 0.1  # that show it
LASTING = 0.6  # weakest against strongest frame, in the steadier windows
PAUSED = 0.5  # of the mean power about the lines, under which a tenth of the windows is quiet
FAINT, FAINT_LASTING = 1e-3, 0.25  # of the power below 600 Hz; the same, of a hum in noise
HINT = 0.4  # greatest confidence of a hum that may be a drum's
PAUSES = 0.1  # of the windows, the quietest about a line
LINES = tuple(
    tuple(float(n) for n in range(mains, int(HIGHEST) + 1, mains) if n % SHARED) for mains in MAINS
)


@dataclass(frozen=True)
class Line:
    """One steady line.

    Attributes
    ----------
    frequency : float, Hz
    level : float, dBFS
        RMS.
    noise : float, dB
        Power of its surroundings in the pauses, in 1 Hz, dBFS.
    share : float, 0 to 1
        Of the windows quiet enough to show it, those that do.
    """

    frequency: float
    level: float
    noise: float
    share: float


@dataclass(frozen=True)
class Hum:
    """Mains hum.

    Attributes
    ----------
    mains : int, Hz
        50 or 60.
    lines : tuple of Line
        The fundamental and the multiples that are steady, the lowest first.
    confidence : float, 0 to 1
    """

    mains: int
    lines: tuple[Line, ...]
    confidence: float


class HumMeter:
    """Streaming search; keeps a few numbers for each quarter of a second.

    Parameters
    ----------
    rate : int, Hz, ≥ 4000
    channels : int
        Looked at one by one; the channel with the clearest hum is reported.
    """

    def __init__(self, rate: int, channels: int) -> None:
        band = filters.butterworth("lowpass", rate, 1.2 * HIGHEST, 8)
        self._band = Decimator(band, rate, REDUCED_RATE, channels)
        self._rate = self._band.rate
        self._hop = round(WINDOW * self._rate / 2.0)
        window = np.hanning(2 * self._hop + 1)[:-1]
        self._window = 2.0 * window / window.sum()
        # Frames of a quarter of a window: 0.125 s, in which a line is looked at between the beats.
        frame = np.hanning(self._hop // 2 + 1)[:-1]
        times = np.arange(len(frame)) / self._rate
        spacing = self._rate / len(window)
        lines = np.array([*LINES[0], *LINES[1], SHARED])
        turning = np.exp(-2j * np.pi * times[:, None] * lines)
        self._frame = 2.0 * frame[:, None] / frame.sum() * turning
        # The nearest bin will do: a line's phase from window to window is that of the line.
        self._lines = np.rint(lines / spacing).astype(np.int64)
        self._around = self._lines[:, None] + np.rint(np.array(AROUND) / spacing).astype(np.int64)
        self._power = np.zeros(channels)
        self._held = np.zeros((0, channels))
        self._rows: list[NDArray[np.complex64]] = []

    def add(self, x: Audio) -> None:
        """Take the next frames (frames, channels)."""
        self._held = np.concatenate((self._held, self._band.process(x)))
        count = len(self._held) // self._hop - 1
        if count > 0:
            starts = np.arange(count) * self._hop
            windows = self._held[starts[:, None] + np.arange(2 * self._hop)]
            self._rows.append(self._measured(windows))
            self._held = self._held[count * self._hop :]

    def _measured(self, windows: Audio) -> NDArray[np.complex64]:
        """Amplitude of each line, power around it, evenness: (windows, channels, lines, 3)."""
        self._power += (windows**2).mean(axis=1).sum(axis=0)
        found = np.fft.rfft(windows * self._window[:, None], axis=1).swapaxes(1, 2)
        noise = (np.abs(found[..., self._around]) ** 2).mean(axis=-1)
        rows = [found[..., self._lines], noise, self._even(windows)]
        return np.stack(rows, axis=-1).astype(np.complex64)

    def _even(self, windows: Audio) -> Audio:
        """Amplitude of each line in a window's weakest frame against its strongest, 0 to 1."""
        size = len(self._frame)
        starts = np.arange(0, windows.shape[1] - size + 1, size // 2)
        frames = windows.swapaxes(1, 2)[..., starts[:, None] + np.arange(size)]
        found = np.abs(frames @ self._frame)
        return np.asarray(found.min(axis=2) / np.maximum(found.max(axis=2), 1e-30))

    def finish(self) -> Hum | None:
        """The hum; None where there is none."""
        if not self._rows:
            return None
        rows = np.concatenate(self._rows).astype(np.complex128)
        seconds = self._hop / self._rate
        found = [
            _Channel(amplitudes, noise, even, seconds, power)
            for amplitudes, noise, even, power in zip(
                rows[..., 0].swapaxes(0, 1),
                rows[..., 1].real.swapaxes(0, 1),
                rows[..., 2].real.swapaxes(0, 1),
                self._power / len(rows),
                strict=True,
            )
        ]
        heard = [hum for channel in found if (hum := channel.hum()) is not None]
        return max(heard, key=lambda hum: (hum.confidence, hum.lines[0].level), default=None)


class _Channel:
    """The windows of one channel: amplitudes, noise powers, evenness (windows, lines)."""

    def __init__(
        self,
        amplitudes: NDArray[np.complex128],
        noise: Audio,
        even: Audio,
        hop: float,
        power: float,
    ) -> None:
        self._power = power
        heard = np.flatnonzero(noise.max(axis=1) > FAINTEST)
        whole = slice(heard[0], heard[-1] + 1) if heard.size else slice(0, 0)
        self._amplitudes, self._even = amplitudes[whole], even[whole]
        self._noise = np.maximum(noise[whole], FAINTEST)
        self._times = np.arange(len(self._noise)) * hop

    def hum(self) -> Hum | None:
        """The clearer of the two kinds."""
        if len(self._times) < LEAST_WINDOWS:
            return None
        first = len(LINES[0])
        columns = (range(first), range(first, first + len(LINES[1])))
        kinds = [self._kind(*kind) for kind in zip(MAINS, LINES, columns, strict=True)]
        score, hum = max(kinds, key=lambda kind: kind[0])
        return hum if score > 0.0 else None

    def _kind(
        self, mains: int, numbers: tuple[float, ...], columns: range
    ) -> tuple[float, Hum | None]:
        """How clear the hum of one kind is, and the hum."""
        places = [*columns, -1]  # the last is shared: it tells no kind, yet may be there
        amplitudes, noise = self._amplitudes[:, places], self._noise[:, places]
        multiples = np.array([*numbers, SHARED]) / mains
        clear, level = self._in_phase(amplitudes, noise, multiples, mains)
        own = clear[:, :-1]
        offset = int(np.where(own > CLEAR, np.log1p(own), 0.0).sum(axis=1).argmax())
        strengths, powers = clear[offset], level[offset]
        there = [int(number) for number in np.flatnonzero(strengths > CLEAR)]

        def seen(share: _Share, numbers: Sequence[int]) -> dict[int, Line]:
            shares = {n: share(amplitudes[:, n], noise[:, n], powers[n]) for n in numbers}
            at = multiples * (mains + OFFSETS[offset])
            return {
                n: _line(at[n], powers[n], noise[:, n], shares[n])
                for n in numbers
                if shares[n] >= STEADY_SHARE
            }

        steady = seen(_share, [number for number in there if number < len(numbers)])
        if not steady or not self._is_hum(mains, [*steady.values()], strengths[min(steady)]):
            return 0.0, None
        more = seen(_in_pauses, [number for number in there if number not in steady])
        even = self._even[:, places]
        lasting = max(_lasting(even[:, n], noise[:, n], powers[n]) for n in steady)
        faint = _power([*steady.values()]) < FAINT * self._power and len(steady) + len(more) > 1
        faint = faint and self._pauses()
        if lasting < (FAINT_LASTING if faint else LASTING):
            return 0.0, None
        confidence = float(np.mean([line.share for line in steady.values()]))
        confidence *= 1.0 if len(steady) > 1 else 0.8
        confidence *= HINT if lasting < LASTING else 1.0
        lines = tuple(sorted((steady | more).values(), key=lambda line: line.frequency))
        return float(np.log(strengths[list(steady)]).sum()), Hum(mains, lines, confidence)

    def _pauses(self) -> bool:
        """Whether what lies about the lines is ever quieter than usual."""
        around = self._noise.sum(axis=1)
        return bool(np.percentile(around, 100.0 * PAUSES) < PAUSED * around.mean())

    def _is_hum(self, mains: int, lines: list[Line], strength: float) -> bool:
        """Whether steady lines are hum and not a note that is held throughout."""
        quiet = _power(lines) < QUIET * self._power
        based = round(lines[0].frequency) == mains
        if len(lines) == 1:
            return based and quiet and strength > CLEAR_ALONE
        return based or quiet

    def _in_phase(
        self, amplitudes: NDArray[np.complex128], noise: Audio, multiples: Audio, mains: int
    ) -> tuple[Audio, Audio]:
        """Power of each line against what noise gives, and its amplitude squared.

        Both (offsets, lines).
        """
        lines = (mains + OFFSETS[:, None]) * multiples
        together = np.zeros(lines.shape)
        square, total = np.zeros(len(multiples)), np.zeros(len(multiples))
        for start in range(0, len(noise), FOLLOWED):
            part = slice(start, start + FOLLOWED)
            weights = 1.0 / noise[part]
            turns = np.exp(-2j * np.pi * self._times[part, None, None] * lines)
            together += np.abs((turns * (amplitudes[part] * weights)[:, None]).sum(axis=0)) ** 2
            square += weights.sum(axis=0) ** 2
            total += weights.sum(axis=0)
        return together / total, together / square


_Share = Callable[[NDArray[np.complex128], Audio, float], float]


def _share(amplitudes: NDArray[np.complex128], noise: Audio, power: float) -> float:
    """Of the windows quiet enough to show a line of `power`, those that do; 0 if too few are."""
    quiet = noise * VISIBLE < power
    if quiet.sum() < max(LEAST_WINDOWS, LEAST_SHARE * len(noise)):
        return 0.0
    against = np.abs(amplitudes[quiet]) / math.sqrt(power)
    low, high = AGREEING
    return float(((against > low) & (against < high)).mean())


def _in_pauses(amplitudes: NDArray[np.complex128], noise: Audio, power: float) -> float:
    """Of the quietest windows about a line of `power`, those that show it."""
    count = max(LEAST_WINDOWS, round(PAUSES * len(noise)))
    against = np.abs(amplitudes[np.argsort(noise)[:count]]) / math.sqrt(power)
    low, high = AGREEING
    return float(((against > low) & (against < high)).mean())


def _lasting(even: Audio, noise: Audio, power: float) -> float:
    """How far a line of `power` is there between the beats, too, 0 to 1.

    Judged by the steadier quarter of the windows that show it: in the others a voice may be near.
    """
    return float(np.percentile(even[noise * VISIBLE < power], 75.0))


def _power(lines: list[Line]) -> float:
    return float(sum(10.0 ** (line.level / 10.0) for line in lines))


def _line(frequency: float, power: float, noise: Audio, share: float) -> Line:
    # A Hann window passes noise in 1.5 bins of 1 / WINDOW; amplitudes squared are twice the power.
    density = 0.5 / np.mean(1.0 / noise) * WINDOW / 1.5
    return Line(
        frequency=float(frequency),
        level=10.0 * math.log10(power / 2.0),
        noise=10.0 * math.log10(density),
        share=share,
    )
