"""Made signals; levels in dBFS of the peak."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Audio = NDArray[np.float64]


def sine(frequency: float, level: float, seconds: float, rate: int = 48000) -> Audio:
    """A sine, (frames, 1)."""
    n = np.arange(round(seconds * rate))
    return (10 ** (level / 20) * np.sin(2 * np.pi * frequency * n / rate))[:, None]


def square(level: float, frames: int, period: int = 8) -> Audio:
    """A signal of constant magnitude that changes sign every half `period`, (frames, 1)."""
    sign = np.where(np.arange(frames) % period < period // 2, 1.0, -1.0)
    return (10 ** (level / 20) * sign)[:, None]


def noise(rng: np.random.Generator, level: float, frames: int, channels: int = 1) -> Audio:
    """White noise whose RMS is `level` dBFS, (frames, channels)."""
    return 10 ** (level / 20) * rng.standard_normal((frames, channels))


def bursts(rng: np.random.Generator, frames: int, channels: int = 1, rate: int = 48000) -> Audio:
    """Noise that swells and falls between silence and nearly full scale, like phrases."""
    time = np.arange(frames)[:, None] / rate
    envelope = np.clip(np.sin(2 * np.pi * 2.7 * time) + 0.4 * np.sin(2 * np.pi * 11 * time), 0, 1)
    return 0.25 * envelope * rng.standard_normal((frames, channels))
