"""Writes rides: level moves for the ride stage, from a voice and, where given, its backing."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from chainkit.audio.atomic import atomic_file
from chainkit.audio.reader import AudioReader, Progress
from chainkit.dsp import phrases, riding
from chainkit.dsp.cascade import Cascade
from chainkit.dsp.longterm import LongTerm
from chainkit.dsp.loudness import ABSOLUTE_GATE, HOPS_A_SECOND, to_lufs
from chainkit.dsp.phrases import HopMeter, Hops, PhraseMeter, Phrasing, Stretch
from chainkit.dsp.riding import RideSettings, Riding
from chainkit.dsp.tones import find_tones, notches
from chainkit.errors import AudioFileError

Values = NDArray[np.float64]

NOTABLE = 50  # hops: a shorter sound in a gap is not worth a word
LOOKED_AT = 60.0  # seconds of a voice in which steady tones are sought, since they are everywhere
UNHEARD = 36.0  # LU below the loudest phrase: nor is a quieter one

ALONE = RideSettings(amount=0.6, follow=0.0, reach=6.0)
"""Without a backing: six tenths of the way to one loudness."""
WITH_BACKING = RideSettings(amount=1.0, follow=1.0, reach=12.0)
"""With a backing: a steady distance to it."""


@dataclass(frozen=True)
class PhraseRide:
    """What the moves do to one phrase.

    Attributes
    ----------
    start, end : float, seconds
    before_lufs, after_lufs : float
        Loudness of the phrase as it was sung, and with the moves.
    gain_db : float
        Their difference.
    wanted_db : float
        The gain that the settings ask for, the range left aside.
    backing_lufs : float or None
        Loudness of the backing under the phrase; None where it is silent or not given.
    """

    start: float
    end: float
    before_lufs: float
    after_lufs: float
    gain_db: float
    wanted_db: float
    backing_lufs: float | None


@dataclass(frozen=True)
class Rides:
    """Moves for one voice.

    Attributes
    ----------
    voice, backing : Path, Path or None
    settings : RideSettings
    points : tuple of (float, float), seconds and dB
    phrases : tuple of PhraseRide
    breaths : tuple of (float, float), seconds
    unridden : tuple of (float, float), seconds
        Clear sounds that are neither phrases nor breaths. They are not lifted, but between two
        phrases that are turned down they are turned down with them.
    intended : ndarray, dB
        The curve that the points stand for, every 10 ms from the first frame.
    power : ndarray
        K-weighted mean square of the voice in each 10 ms, without steady tones.
    backing_power : ndarray or None
        The same of the backing, where one is given.
    backing_ends : float or None, seconds
        Where a backing ends that is shorter than the voice.
    """

    voice: Path
    backing: Path | None
    settings: RideSettings
    points: tuple[tuple[float, float], ...]
    phrases: tuple[PhraseRide, ...]
    breaths: tuple[tuple[float, float], ...]
    unridden: tuple[tuple[float, float], ...]
    intended: Values
    power: Values
    backing_power: Values | None
    backing_ends: float | None = None

    @property
    def seconds(self) -> float:
        """Length of the voice."""
        return _seconds(len(self.intended))

    @property
    def spread(self) -> tuple[float | None, float | None]:
        """Standard deviation of the phrases' loudness in LU, before and after."""
        return _both(self.phrases, np.std, lambda phrase: 0.0)

    @property
    def departure(self) -> tuple[float | None, float | None]:
        """Greatest departure from the mean distance to the backing in LU, before and after.

        None where fewer than two phrases have a backing: one does not depart from itself.
        """
        under = [phrase for phrase in self.phrases if phrase.backing_lufs is not None]
        return _both(
            under if len(under) > 1 else [], _departure, lambda phrase: phrase.backing_lufs
        )

    @property
    def alone(self) -> int:
        """How many phrases are sung where a given backing is silent."""
        unheard = [phrase for phrase in self.phrases if phrase.backing_lufs is None]
        return len(unheard) if self.backing else 0

    @property
    def behind(self) -> int:
        """How many phrases begin behind the end of a backing."""
        if self.backing_ends is None:
            return 0
        return sum(phrase.start >= self.backing_ends for phrase in self.phrases)

    @property
    def at_limit(self) -> int:
        """How many phrases are held by the range."""
        return sum(abs(phrase.wanted_db) > self.settings.reach for phrase in self.phrases)

    def as_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {
            "voice": str(self.voice),
            "backing": str(self.backing) if self.backing else None,
            "amount": self.settings.amount,
            "follow": self.settings.follow if self.backing else None,
            "range_db": self.settings.reach,
            "points": [{"seconds": time, "gain_db": gain} for time, gain in self.points],
            "phrases": [asdict(phrase) for phrase in self.phrases],
            "breaths": [{"start": start, "end": end} for start, end in self.breaths],
            "unridden": [{"start": start, "end": end} for start, end in self.unridden],
            "spread_before_lu": self.spread[0],
            "spread_after_lu": self.spread[1],
            "departure_before_lu": self.departure[0],
            "departure_after_lu": self.departure[1],
            "phrases_at_limit": self.at_limit,
        }


def find_rides(
    voice: str | Path,
    backing: str | Path | None = None,
    settings: RideSettings | None = None,
    progress: Progress | None = None,
) -> Rides:
    """Moves for the voice in a file; memory grows by a few numbers for each 10 ms only.

    Parameters
    ----------
    voice : str or Path
    backing : str or Path, optional
        The mix without the voice, beginning at the same instant; any sample rate.
    settings : RideSettings, optional
        `ALONE` or `WITH_BACKING` if left out.
    progress : callable or None
        Called with the number of frames read since the last call.

    Returns
    -------
    Rides

    Raises
    ------
    AudioFileError
        A file cannot be read, holds no phrase of a voice, or is a backing that is silent under
        every phrase.
    """
    settings = settings or (WITH_BACKING if backing else ALONE)
    reader = AudioReader(voice)
    band = AudioReader(backing) if backing else None
    hops = _heard(reader, progress)
    phrasing = phrases.find(hops)
    _refuse_nothing_sung(reader, hops, phrasing)
    under = np.zeros(len(hops.power))
    ends = None
    if band is not None:
        found = _hop_powers(band, progress)[: len(under)]
        under[: len(found)] = found
        ends = _seconds(len(found)) if len(found) < len(under) else None
    ridden = riding.ride(hops.power, under, phrasing, settings)
    if band is not None:
        _refuse_silent(band, under, ridden)
    return Rides(
        voice=Path(voice),
        backing=Path(backing) if backing else None,
        settings=settings,
        points=_points(ridden),
        phrases=tuple(_described(phrasing.phrases, ridden)),
        breaths=tuple(map(_span, phrasing.breaths)),
        unridden=tuple(map(_span, _unridden(hops.power, phrasing))),
        intended=ridden.curve,
        power=hops.power,
        backing_power=under if band is not None else None,
        backing_ends=ends,
    )


def write_rides(rides: Rides, path: str | Path, force: bool = False) -> None:
    """Write the points as CSV with the columns ``seconds, gain_db``.

    Parameters
    ----------
    rides : Rides
    path : str or Path
    force : bool
        Replace a file that is there.

    Raises
    ------
    OutputError
        The file is there already, or cannot be written.
    """
    with atomic_file(path, force) as file:
        file.write("seconds,gain_db\n")
        file.writelines(f"{time:.2f},{gain:z.2f}\n" for time, gain in rides.points)


def _heard(reader: AudioReader, progress: Progress | None) -> Hops:
    """A voice's hops, without the steady tones in whose sound its breaths would be lost."""
    meter = PhraseMeter(reader.rate, reader.channels)
    found = find_tones(LongTerm(_beginning(reader), reader.rate))
    notched = Cascade(notches(found, reader.rate), reader.channels) if found else None
    for block in reader.blocks(progress=progress):
        meter.add(block if notched is None else notched.process(block))
    return meter.finish()


def _beginning(reader: AudioReader) -> Values:
    """The first minute that is not silent, its channels' mean, (frames,)."""
    pieces, left = [np.zeros(0)], round(LOOKED_AT * reader.rate)
    for block in reader.blocks():
        if left <= 0:
            break
        if block.any():
            pieces.append(block[:left].mean(axis=1))
            left -= len(pieces[-1])
    return np.concatenate(pieces)


def _refuse_nothing_sung(reader: AudioReader, hops: Hops, phrasing: Phrasing) -> None:
    if phrasing.phrases:
        return
    if not len(hops.power):
        told = f"{reader.path} is too short, {1000 * reader.frames / reader.rate:.0f} ms"
    elif not hops.power.any():
        told = f"{reader.path} is silent"
    else:
        told = f"no phrase of a voice was found in {reader.path}"
    raise AudioFileError(f"{told}; there is nothing to ride")


def _unridden(power: Values, phrasing: Phrasing) -> Iterator[Stretch]:
    """The sounds among the others that somebody listening would ask about."""
    loudest = max(power[phrase.start : phrase.stop].mean() for phrase in phrasing.phrases)
    for sound in phrasing.others:
        level = power[sound.start : sound.stop].mean()
        if len(sound) >= NOTABLE and level > loudest / 10.0 ** (UNHEARD / 10.0):
            yield sound


def _refuse_silent(band: AudioReader, under: Values, ridden: Riding) -> None:
    if to_lufs(under).max(initial=-np.inf) < ABSOLUTE_GATE:
        where = "while the voice lasts"
    elif not np.isfinite(ridden.backing).any():
        where = "under every phrase"
    else:
        return
    what = f"{band.path} is silent {where}; there is nothing to follow"
    raise AudioFileError(f"{what}. Without a backing, phrases are brought toward one loudness")


def _hop_powers(reader: AudioReader, progress: Progress | None) -> Values:
    meter = HopMeter(reader.rate, reader.channels)
    for block in reader.blocks(progress=progress):
        meter.add(block)
    return meter.finish()


def _points(ridden: Riding) -> tuple[tuple[float, float], ...]:
    """Seconds and dB of the knots, rounded as they are written; the ends hold without a point."""
    points = [(_seconds(knot), round(float(ridden.curve[knot]), 2)) for knot in ridden.knots]
    while len(points) > 1 and points[-1][1] == points[-2][1]:
        del points[-1]
    while len(points) > 1 and points[0][1] == points[1][1]:
        del points[0]
    return tuple(points)


def _described(found: list[Stretch], ridden: Riding) -> Iterator[PhraseRide]:
    figures = (ridden.before, ridden.after, ridden.wanted, ridden.backing)
    for phrase, before, after, wanted, under in zip(found, *figures, strict=True):
        yield PhraseRide(
            start=_seconds(phrase.start),
            end=_seconds(phrase.stop),
            before_lufs=float(before),
            after_lufs=float(after),
            gain_db=float(after - before),
            wanted_db=float(wanted),
            backing_lufs=float(under) if np.isfinite(under) else None,
        )


def _span(stretch: Stretch) -> tuple[float, float]:
    return _seconds(stretch.start), _seconds(stretch.stop)


def _seconds(knot: int) -> float:
    return knot / HOPS_A_SECOND


def _both(
    found: Any, measure: Callable[[Values], Any], against: Callable[[PhraseRide], Any]
) -> tuple[float | None, float | None]:
    """`measure` of the phrases' loudness less `against`, before and after."""
    if not found:
        return None, None
    under = np.array([against(phrase) for phrase in found])
    before = np.array([phrase.before_lufs for phrase in found])
    after = np.array([phrase.after_lufs for phrase in found])
    return float(measure(before - under)), float(measure(after - under))


def _departure(distances: Values) -> float:
    return float(np.abs(distances - distances.mean()).max())
