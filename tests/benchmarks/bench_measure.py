"""Loudness with true peak of 240 s of stereo, against pyloudnorm's integrated loudness alone; the
whole measure of 240 s of a mono voice, against the time it lasts."""

from __future__ import annotations

import time
from collections.abc import Iterator

import numpy as np
import pyloudnorm
from pair import Pair

from chainkit.dsp.loudness import LoudnessMeter
from chainkit.dsp.meter import VoiceMeter
from chainkit.dsp.truepeak import TruePeakMeter
from chainkit.dsp.voice import sing

RATE = 48000
SECONDS = 240
BLOCK = 65536


def pairs() -> Iterator[Pair]:
    noise = 0.1 * np.random.default_rng(1).standard_normal((RATE * SECONDS, 2))
    voice = sing(RATE, seconds=60.0).voice.reshape(-1, 1)
    voice = np.tile(voice, (SECONDS // 60, 1))
    peer = pyloudnorm.Meter(RATE)
    for name, x in (("noise", noise), ("voice", np.repeat(voice, 2, axis=1))):
        yield Pair(
            f"loudness and true peak, 240 s of stereo {name}",
            lambda x=x: loudness_and_peak(x),
            "pyloudnorm, integrated loudness alone",
            lambda x=x: peer.integrated_loudness(x),
            "at most 0.2",
        )
    yield Pair(
        "the whole measure, 240 s of mono voice",
        lambda: measured(voice),
        "a 150th of its length",
        lambda: time.sleep(SECONDS / 150),
        "at most 1.0",
    )


def loudness_and_peak(x: np.ndarray) -> tuple[float | None, float | None]:
    loudness, peak = LoudnessMeter(RATE, x.shape[1]), TruePeakMeter(x.shape[1])
    for start in range(0, len(x), BLOCK):
        block = x[start : start + BLOCK]
        loudness.add(block)
        peak.add(block)
    return loudness.integrated(), peak.dbtp()


def measured(x: np.ndarray) -> object:
    meter = VoiceMeter(RATE, x.shape[1])
    for start in range(0, len(x), BLOCK):
        meter.add(x[start : start + BLOCK])
    return meter.finish()
