"""A stand-in for loud mastering, to hear how sibilance fares under it.

The programme is brought to −16 LUFS, goes through a broadband compressor (threshold −18 dBFS RMS
over 30 ms, 2:1, knee 12 dB, attack 20 ms, release 150 ms, one gain for all channels), is driven,
and meets a true-peak limiter at −1 dBTP (look-ahead 1.5 ms, release 60 ms). The drive is the one
that meets the target loudness. These settings are ours: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np

from chainkit.chain.stream import Audio, Blocks, metered
from chainkit.compare.matching import CEILING_DBTP
from chainkit.dsp.dynamics import Compressor
from chainkit.dsp.levels import to_gain
from chainkit.dsp.limiter import Limiter
from chainkit.dsp.loudness import LoudnessMeter
from chainkit.dsp.truepeak import TruePeakMeter

START_LUFS = -16.0
TOLERANCE = 0.05  # LU
PASSES = 12  # trials at most
MOST_DRIVE = 40.0  # dB
FLATTEST = 0.15  # LU for each dB of drive


@dataclass(frozen=True)
class Squeeze:
    """How a programme is squeezed.

    Parameters
    ----------
    lift : float, dB
        Gain ahead of the compressor.
    drive : float, dB
        Gain between compressor and limiter.
    trim : float, dB
        Gain behind the limiter, so that the true peak keeps the ceiling.
    loudness : float or None, LUFS
        What came out.
    """

    lift: float
    drive: float
    trim: float
    loudness: float | None


def compressor(rate: int, channels: int) -> Compressor:
    """The broadband compressor of the stand-in."""
    return Compressor(
        rate,
        channels,
        threshold=-18.0,
        ratio=2.0,
        knee=12.0,
        attack=0.020,
        release=0.150,
        lookahead=0.0,
        detector="rms",
        window=0.030,
        sidechain_highpass=None,
        reduction_range=None,
        makeup=0.0,
        mix=1.0,
        link=True,
    )


def squeezed(
    blocks: Iterable[Audio], rate: int, channels: int, how: Squeeze
) -> Iterator[tuple[Audio, Audio]]:
    """The programme, squeezed, and the whole gain (frames, 1), linear, that did it.

    As many frames come out as came in; the blocks are cut otherwise.
    """
    compress = compressor(rate, channels)
    limit = Limiter(rate, channels, ceiling=CEILING_DBTP)
    lift, drive, trim = (float(to_gain(gain)) for gain in (how.lift, how.drive, how.trim))
    held = np.empty((0, 1))
    for block in blocks:
        audio, reduction = compress.process(lift * block)
        held = np.concatenate([held, reduction])
        limited, limiting = limit.process(drive * audio)
        yield trim * limited, lift * drive * trim * to_gain(held[: len(limiting)] + limiting)
        held = held[len(limiting) :]
    limited, limiting = limit.finish()
    yield trim * limited, lift * drive * trim * to_gain(held + limiting)


def find_squeeze(blocks: Blocks, rate: int, channels: int, target: float) -> Squeeze:
    """The drive that meets `target` LUFS, by the secant method.

    A programme without loudness is left as it is. Where the limiter cannot reach the target, the
    nearest that was found is returned; its loudness tells.
    """
    lift = metered(blocks(), rate, channels).trim_to(START_LUFS)
    if lift is None:
        return Squeeze(0.0, 0.0, 0.0, None)
    tried: list[Squeeze] = []
    drive = target - START_LUFS
    for _ in range(PASSES):
        tried.append(_trial(blocks, rate, channels, lift, drive))
        if _miss(tried[-1], target) < TOLERANCE:
            break
        drive = min(_next_drive(tried, target), MOST_DRIVE)
        if any(drive == earlier.drive for earlier in tried):
            break
    return min(tried, key=lambda how: _miss(how, target))


def _trial(blocks: Blocks, rate: int, channels: int, lift: float, drive: float) -> Squeeze:
    meter, peaks = LoudnessMeter(rate, channels), TruePeakMeter(channels)
    for block, _ in squeezed(blocks(), rate, channels, Squeeze(lift, drive, 0.0, None)):
        meter.add(block)
        peaks.add(block)
    loudness, peak = meter.integrated(), peaks.dbtp()
    trim = 0.0 if peak is None else min(0.0, CEILING_DBTP - peak)
    return Squeeze(lift, drive, trim, None if loudness is None else loudness + trim)


def _miss(how: Squeeze, target: float) -> float:
    return float("inf") if how.loudness is None else abs(how.loudness - target)


def _next_drive(tried: list[Squeeze], target: float) -> float:
    last = tried[-1]
    missing = target - (last.loudness if last.loudness is not None else target)
    if len(tried) < 2 or tried[-2].loudness is None or last.loudness is None:
        return last.drive + missing
    slope = (last.loudness - tried[-2].loudness) / (last.drive - tried[-2].drive)
    # The limiter takes ever more of the drive: a flat slope must not throw the next trial far out.
    return last.drive + missing / max(slope, FLATTEST)
