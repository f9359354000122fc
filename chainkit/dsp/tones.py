"""Finds steady tones: lines that stand still through the whole recording, in the pauses too.

A screen, a supply or a fan whistles while nobody sings. So the quietest moments are looked at: a
tone is a line that in them stands far above its neighbours, with one level. It is there all the
time: of the windows quiet enough about it to show it nearly all do. And it is none of the
source's own: of a note that is held without a pause nothing can be told, and a line that makes up a
good part of the source is a drone, so that without quiet moments nothing is concluded. What tells
an audible tone from a line that only a computer sees is the tone-to-noise ratio of ECMA-418-1, of
the pauses.

Under the demo voice a sine of -60 to -30 dBFS is there in 0.97 and more of the quiet windows, and
its level moves by 0.1 dB; partials of strings that ring on move by 2 dB and more. Lines of mains
hum have a search of their own (`hum`). The thresholds were chosen on made sounds; they are no
published values.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np
from numpy.typing import NDArray

from chainkit.dsp import filters, prominence
from chainkit.dsp.cascade import Cascade
from chainkit.dsp.hum import HIGHEST, MAINS, Hum, Line
from chainkit.dsp.longterm import LongTerm

Values = NDArray[np.float64]

LOWEST = 60.0  # Hz
BELOW_HALF = 0.45  # of the sample rate
SILENT = 1e-14  # of the power of the loudest window: 140 dB below it there is no recording
PAUSES = 0.1  # of the windows, the quietest
LEAST_WINDOWS = 8  # that are quiet, and that show a line: a second
LINE = 2  # bins to either side of its middle that hold a line: the main lobe of a Hann window
NEAR, FAR = 5, 12  # bins to either side, between which its neighbours lie
STANDS_OUT = 10.0  # power of a line's bin against its neighbours, in the quietest windows
VISIBLE = 10.0  # power of a line against that of a window's noise in its width, that shows it
AGREEING, STEADY_SHARE = 2.0, 0.9  # factor of its power; of the windows that show it
PAUSE = 0.03  # of the mean power of all but the lines: 15 dB below it, in a pause
OWN = 0.3  # of the whole power, from which lines are the source's own
INAUDIBLE = 1e-6  # of the whole power, 60 dB below it
MOST = 8  # lines; more are the partials of something that sounds throughout
SETTLED, CROSSED = 0.5, 0.02  # seconds, in which a notch has come to 54 dB; of a crossfade
MULTIPLES = 40  # of the mains where there is hum: so many IEC 61000-4-7 measures (from memory)
BESIDE = 1.0  # Hz from a multiple, in which a line is the mains'
NARROWEST = 100.0  # Q of a notch
WIDTH = 4.0  # Hz, of a notch of a lesser Q


def find_tones(spectrum: LongTerm, hum: Hum | None = None) -> list[Line]:
    """The steady tones of a recording, the lowest first.

    Parameters
    ----------
    spectrum : LongTerm
        In bins of about 4 Hz.
    hum : Hum, optional
        What there is of mains hum: its multiples are none.

    Returns
    -------
    list of Line
        The share is that of the windows quiet enough to show it.
    """
    whole = spectrum.windows.sum(axis=1, dtype=np.float64)
    heard = whole > SILENT * whole.max(initial=0.0)
    windows, whole = spectrum.windows[heard], whole[heard]
    if len(windows) < LEAST_WINDOWS:
        return []
    quiet = np.argsort(whole, kind="stable")[: _quiet(len(windows))]
    found = [
        line
        for bin_ in _standing_out(np.median(windows[quiet], axis=0), spectrum.spacing)
        if (line := _Line(windows, bin_)).lasts
    ]
    rest = whole - sum((line.powers for line in found), np.zeros(len(whole)))
    paused = np.sort(rest)[LEAST_WINDOWS - 1] < PAUSE * rest.mean()
    own = sum(line.power for line in found) > OWN * whole.mean()
    if not paused or own or len(found) > MOST:
        return []
    lines = [line.told(spectrum) for line in found if line.power > INAUDIBLE * whole.mean()]
    return [line for line in lines if _is_prominent(line) and not _is_mains(line.frequency, hum)]


def _quiet(count: int) -> int:
    """How many of `count` windows are the quietest."""
    return max(LEAST_WINDOWS, round(PAUSES * count))


def notches(lines: Iterable[Line], rate: float) -> Values:
    """Sections (tones, 6) that take the tones away and next to nothing else."""
    places = [line.frequency for line in lines]
    return np.concatenate([filters.notch(rate, at, min(NARROWEST, at / WIDTH)) for at in places])


def without(x: Values, lines: Iterable[Line], rate: int) -> Values:
    """A recording (frames,) without the tones, from the first frame on.

    A notch lets the tone through for a moment, so its beginning is filtered from behind.
    """
    sections = notches(lines, rate)
    clean = Cascade(sections, 1).process(x[:, None])[:, 0]
    first, crossed = round(SETTLED * rate), round(CROSSED * rate)
    beginning = np.ascontiguousarray(x[: 2 * first][::-1, None])
    clear = Cascade(sections, 1).process(beginning)[::-1, 0][:first]
    share = np.clip((np.arange(len(clear)) - len(clear) + crossed) / crossed, 0.0, 1.0)
    clean[: len(clear)] = (1.0 - share) * clear + share * clean[: len(clear)]
    return clean


def _standing_out(floor: Values, spacing: float) -> Iterator[int]:
    """Bins that stand above their neighbours in the spectrum (bins,) of the quietest windows."""
    first = max(round(LOWEST / spacing), FAR)
    last = min(round(2.0 * BELOW_HALF * len(floor)), len(floor) - FAR)
    sides = np.lib.stride_tricks.sliding_window_view(floor, FAR - NEAR + 1)
    for at in range(first, last):
        if floor[at] > 0.0 and floor[at] == floor[at - NEAR : at + NEAR + 1].max():
            beside = np.median([sides[at - FAR], sides[at + NEAR]])
            if floor[at] > STANDS_OUT * beside:
                yield at


class _Line:
    """A line about one bin, in each window.

    Attributes
    ----------
    powers : ndarray, (windows,)
        In its bins.
    power : float
        In the windows quietest about it.
    """

    def __init__(self, windows: NDArray[np.float32], at: int) -> None:
        near = windows[:, at - FAR : at + FAR + 1].astype(np.float64)
        self._at, self._near = at, near
        self._noise = (
            near[:, : FAR - NEAR + 1].mean(axis=1) + near[:, FAR + NEAR :].mean(axis=1)
        ) / 2.0
        self.powers = near[:, FAR - LINE : FAR + LINE + 1].sum(axis=1)
        width = 2 * LINE + 1
        quietest = np.argsort(self._noise, kind="stable")[: _quiet(len(windows))]
        self.power = float(np.median(self.powers[quietest]))
        self._shown = self._noise * width * VISIBLE < self.power
        against = self.powers / max(self.power, 1e-30)
        there = against > 1.0 / AGREEING
        self._steady = float((there & (against < AGREEING))[quietest].mean())
        # A voice may sing on the line, too, so that there is more.
        enough = self._shown.sum() >= LEAST_WINDOWS
        self.share = float(there[self._shown].mean()) if enough else 0.0

    @property
    def lasts(self) -> bool:
        """Whether it is there all the time, as far as can be seen."""
        return min(self.share, self._steady) >= STEADY_SHARE

    def told(self, spectrum: LongTerm) -> Line:
        """As a line of its frequency and level."""
        size = 2 * (spectrum.windows.shape[1] - 1)
        # A sine of amplitude 1 in a Hann window has (size / 4)² in its bin, half as much beside it.
        scale = 16.0 / 3.0 / size**2
        noise = 1.0 / np.mean(1.0 / np.maximum(self._noise[self._shown], 1e-30))
        return Line(
            frequency=(self._at + self._beside()) * spectrum.spacing,
            level=10.0 * float(np.log10(scale * self.power)),
            noise=10.0 * float(np.log10(scale * noise / spectrum.spacing)),
            share=self.share,
        )

    def _beside(self) -> float:
        """Bins from the middle of its bin to the line: two bins of a Hann window tell exactly.

        Of amplitudes a and b in them, the line lies (2b − a) / (a + b) from the first to the
        second. T. Grandke, "Interpolation algorithms for discrete Fourier transforms of weighted
        signals", IEEE Trans. Instrum. Meas. 32, 1983 (from memory).
        """
        below, middle, above = np.sqrt(np.median(self._near[self._shown], axis=0))[
            FAR - 1 : FAR + 2
        ]
        side, beside = (1.0, above) if above > below else (-1.0, below)
        return side * float((2.0 * beside - middle) / (middle + beside))


def _is_prominent(line: Line) -> bool:
    """Whether a tone stands out of the noise of the pauses to an ear."""
    at = line.frequency
    ratio = line.level - line.noise - 10.0 * np.log10(prominence.critical_bandwidth(at))
    return bool(ratio > prominence.tone_criterion(at))


def _is_mains(frequency: float, hum: Hum | None) -> bool:
    """Whether a line is one that the search for hum looks at, or a multiple of the hum there is."""

    def near(mains: float, times: int) -> bool:
        number = round(frequency / mains)
        return number <= times and abs(frequency - number * mains) < BESIDE

    if any(near(mains, round(HIGHEST) // mains) for mains in MAINS):
        return True
    if hum is None:
        return False
    last = hum.lines[-1].frequency
    return near(last / round(last / hum.mains), MULTIPLES)
