"""Noise of the mouth: hisses, bursts, breaths."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from chainkit.dsp.voice import phones
from chainkit.dsp.voice.phones import NoiseShape

Samples = NDArray[np.float64]


def shaped(frames: int, rate: int, shape: NoiseShape, rng: np.random.Generator) -> Samples:
    """Noise of `shape`, (frames,), RMS 1, its spectrum a little uneven as a mouth's is."""
    size = quick_length(frames)
    frequencies = np.arange(size // 2 + 1) * rate / size
    spectrum = np.fft.rfft(rng.standard_normal(size))
    spectrum *= shape.magnitude(frequencies) * _unevenness(frequencies, rng)
    noise = np.fft.irfft(spectrum, size)[:frames]
    return np.asarray(noise / np.sqrt(np.mean(noise**2)))


def quick_length(frames: int) -> int:
    """A length of at least `frames`, at most an eighth longer, whose transform is quick."""
    step = 2 ** max(frames.bit_length() - 4, 1)
    return -(-frames // step) * step


def swelling(times: Samples, start: float, end: float, rise: float, fall: float) -> Samples:
    """Raised-cosine envelope that passes one half at `start` and at `end`; all in seconds."""
    up = np.clip((times - start) / rise + 0.5, 0.0, 1.0)
    down = np.clip((end - times) / fall + 0.5, 0.0, 1.0)
    return np.asarray(np.sin(np.pi / 2 * up) ** 2 * np.sin(np.pi / 2 * down) ** 2)


def hiss(
    times: Samples, start: float, end: float, rate: int, shape: NoiseShape, rng: np.random.Generator
) -> Samples:
    """Hiss of RMS 1 between `start` and `end`, at `times`."""
    rise, fall = rng.uniform(0.010, 0.020, 2)
    sound = shaped(len(times), rate, shape, rng) * swelling(times, start, end, rise, fall)
    inside = (times >= start) & (times < end)
    return np.asarray(sound / np.sqrt(np.mean(sound[inside] ** 2)))


def burst(
    times: Samples, opening: float, end: float, kind: str, rate: int, rng: np.random.Generator
) -> Samples:
    """Release of a plosive: a burst of RMS about 1 in its first instants, then aspiration."""
    since = times - opening
    decay = rng.uniform(0.005, 0.010)
    strike = np.where(since >= 0.0, np.exp(-np.maximum(since, 0.0) / decay), 0.0)
    breathing = swelling(times, opening + 0.008, end, 0.012, 0.02) * rng.uniform(0.06, 0.18)
    sound = shaped(len(times), rate, phones.BURSTS[kind], rng) * strike
    return sound + shaped(len(times), rate, phones.BREATH, rng) * breathing


def pop(times: Samples, opening: float, rng: np.random.Generator) -> Samples:
    """Thump of air against the microphone, peak near 1."""
    since = np.maximum(times - opening, 0.0)
    swing = np.sin(2 * np.pi * rng.uniform(45.0, 95.0) * since)
    return np.asarray(swing * np.exp(-since / rng.uniform(0.012, 0.03)))


def breath(
    times: Samples, start: float, end: float, rate: int, rng: np.random.Generator
) -> Samples:
    """Drawn breath of RMS about 1, slow to rise and quick to end."""
    rise = min(rng.uniform(0.08, 0.2), end - start)
    sound = shaped(len(times), rate, phones.BREATH, rng)
    return sound * swelling(times, start, end, rise, 0.05)


def room_tone(frames: int, rate: int, rng: np.random.Generator) -> Samples:
    """Noise floor of a quiet room, (frames,), RMS about 1: falls 3 dB an octave, white at the top.

    Made in pieces that cross-fade at constant power, so that length costs no more than time.
    """
    fade = rate // 2
    step = 10 * rate
    tone = np.zeros(frames + fade + step + fade)
    for start in range(0, frames + fade, step):
        tone[start : start + step + fade] += _tone_piece(step + fade, rate, rng) * _fades(
            step + fade, fade
        )
    return tone[fade : fade + frames]


def _tone_piece(frames: int, rate: int, rng: np.random.Generator) -> Samples:
    spectrum = np.fft.rfft(rng.standard_normal(frames))
    frequencies = np.arange(len(spectrum)) * rate / frames
    spectrum *= np.sqrt(30.0 / (frequencies + 30.0)) + 0.03
    spectrum[frequencies < 15.0] = 0.0
    piece = np.fft.irfft(spectrum, frames)
    return np.asarray(piece / np.sqrt(np.mean(piece**2)))


def _fades(size: int, fade: int) -> Samples:
    ramp = np.sin(np.pi / 2 * (np.arange(fade) + 0.5) / fade)
    envelope = np.ones(size)
    envelope[:fade] *= ramp
    envelope[size - fade :] *= ramp[::-1]
    return envelope


def _unevenness(frequencies: Samples, rng: np.random.Generator) -> Samples:
    """Random smooth gain over frequency, standard deviation about 1.5 dB."""
    knots = np.geomspace(100.0, 48e3, 40)
    gains = 10.0 ** (rng.normal(0.0, 1.5, len(knots)) / 20.0)
    return np.asarray(np.interp(frequencies, knots, gains))
