"""Listens to a source twice, in blocks: first to everything, then to what that has shown.

The LFE of six channels is left out, as loudness leaves it out. What is kept is bounded but for a
few numbers for each 10 ms: one channel of at most `EXCERPT` frames for the search of resonances, in
pieces spread evenly over longer files.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from chainkit.audio.reader import AudioReader, Progress
from chainkit.dsp import tones
from chainkit.dsp.amplitude import AmplitudeMeter
from chainkit.dsp.attack import Attack, AttackMeter
from chainkit.dsp.audibility import ThirdOctaves
from chainkit.dsp.cascade import Cascade
from chainkit.dsp.hum import Hum, HumMeter, Line
from chainkit.dsp.longterm import LongTerm
from chainkit.dsp.loudness import LoudnessMeter, channel_weights
from chainkit.dsp.meter import Measurement, VoiceMeter
from chainkit.dsp.phrases import HopMeter
from chainkit.dsp.rumble import Rumble, RumbleMeter
from chainkit.dsp.sibilance_edge import Hiss, HissCollector
from chainkit.dsp.spectrum import SpectrumMeter

Audio = NDArray[np.float64]

EXCERPT = 12_000_000  # frames: 250 s at 48 kHz, 96 MB
PIECE = 10  # seconds


@dataclass(frozen=True, eq=False)
class Heard:
    """What was heard of a source.

    Attributes
    ----------
    measurement : Measurement
        Where there are tones its spectrum is that of the excerpt.
    loudness : LoudnessMeter
        Of the whole source.
    hum, attack, rumble : Hum, Attack, Rumble or None
    tones : tuple of Line
    bands : ndarray, (windows, 18)
        See `chainkit.dsp.audibility.ThirdOctaves`.
    hisses : tuple of Hiss
        Without the tones.
    excerpt : ndarray, (frames,)
        The loudest channel, by the variance of its samples, whole or in pieces; without the tones.
    long_term : LongTerm
        Of the excerpt.
    """

    measurement: Measurement
    loudness: LoudnessMeter
    hum: Hum | None
    attack: Attack | None
    rumble: Rumble | None
    tones: tuple[Line, ...]
    bands: Audio
    hisses: tuple[Hiss, ...]
    excerpt: Audio
    long_term: LongTerm


def hear(reader: AudioReader, progress: Progress | None = None) -> Heard:
    """Listen to a file; `progress` is told the frames of each pass.

    Raises
    ------
    AudioFileError
        The file cannot be read.
    """
    lanes = _Lanes(reader)
    rate, channels = reader.rate, lanes.count
    voice, hum = VoiceMeter(rate, channels), HumMeter(rate, channels)
    attack, rumble = AttackMeter(rate, channels), RumbleMeter(rate, channels)
    whole = HopMeter(rate, channels, np.zeros((0, 6)))
    bands = ThirdOctaves(rate)
    adders = [meter.add for meter in (voice, hum, attack, rumble, whole, bands)]
    energy, offset = np.zeros(channels), np.zeros(channels)
    for block in lanes.blocks(progress):
        for add in adders:
            add(block)
        energy += np.einsum("ij,ij->j", block, block)
        offset += block.sum(axis=0)
    loudest = int((energy - offset**2 / max(1, reader.frames)).argmax())
    measurement = voice.finish()
    mains = hum.finish()
    lines = tuple(line.frequency for line in mains.lines) if mains else ()
    hisses = HissCollector(rate, measurement.sibilants)
    excerpt = np.empty(min(reader.frames, EXCERPT + PIECE * rate))
    filled = 0
    for lane in _second(lanes, loudest, hisses, progress):
        excerpt[filled : filled + len(lane)] = lane
        filled += len(lane)
    excerpt = excerpt[:filled]
    long_term = LongTerm(excerpt, rate)
    heard = Heard(
        measurement=measurement,
        loudness=voice.loudness,
        hum=mains,
        attack=attack.finish(),
        rumble=rumble.finish(whole.finish(), lines),
        tones=tuple(tones.find_tones(long_term, mains)),
        bands=bands.powers(),
        hisses=tuple(hisses.hisses),
        excerpt=excerpt,
        long_term=long_term,
    )
    return _without_tones(heard, lanes, loudest) if heard.tones else heard


def _without_tones(heard: Heard, lanes: _Lanes, channel: int) -> Heard:
    """What was heard, where the tones would else be taken for the source."""
    rate = lanes.reader.rate
    notches = Cascade(tones.notches(heard.tones, rate), 1)
    hisses = HissCollector(rate, heard.measurement.sibilants)
    for block in lanes.blocks(None):
        hisses.add(notches.process(block[:, channel : channel + 1].copy())[:, 0])
    excerpt = tones.without(heard.excerpt, heard.tones, rate)
    levels, spectrum = AmplitudeMeter(rate, 1), SpectrumMeter(rate, 1)
    for start in range(0, len(excerpt), PIECE * rate):
        piece = excerpt[start : start + PIECE * rate, None]
        levels.add(piece)
        spectrum.add(piece)
    measurement = replace(
        heard.measurement,
        sounding_share=levels.sounding_share(),
        spectrum=spectrum.finish(levels.gate()),
    )
    return replace(
        heard,
        measurement=measurement,
        hisses=tuple(hisses.hisses),
        excerpt=excerpt,
        long_term=LongTerm(excerpt, rate),
    )


class _Lanes:
    """The channels of a file that are heard.

    Attributes
    ----------
    reader : AudioReader
    count : int
        Of the channels.
    """

    def __init__(self, reader: AudioReader) -> None:
        self.reader = reader
        self._kept = np.flatnonzero(channel_weights(reader.channels))
        self.count = len(self._kept)

    def blocks(self, progress: Progress | None) -> Iterator[Audio]:
        """Blocks (frames, channels)."""
        whole = self.count == self.reader.channels
        for block in self.reader.blocks(progress=progress):
            yield block if whole else np.ascontiguousarray(block[:, self._kept])


def _second(
    lanes: _Lanes, channel: int, hisses: HissCollector, progress: Progress | None
) -> Iterator[Audio]:
    """Listen to one channel once more; yields the excerpt."""
    rate, frames = lanes.reader.rate, lanes.reader.frames
    spacing = max(1.0, frames / EXCERPT) * PIECE * rate
    place = 0
    for block in lanes.blocks(progress):
        lane = block[:, channel].copy()
        hisses.add(lane)
        if spacing > PIECE * rate:
            inside = (place + np.arange(len(lane))) % spacing < PIECE * rate
            place, lane = place + len(lane), lane[inside]
        yield lane
