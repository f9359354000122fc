"""The transforms of many windows at once against numpy's, and a slow twin of the bands."""

from __future__ import annotations

import numpy as np
import pytest

from chainkit.dsp.fourier import LANES, BandPowers, fast_length
from chainkit.dsp.kernels_fourier import share


@pytest.mark.parametrize("half", [2, 12, 30, 176, 180, 360, 384])
def test_powers_agree_with_numpy(rng, half):
    """Single precision rounds by 6e-8, once in each of at most ten steps."""
    half = fast_length(half)
    window = np.hanning(2 * half + 1)[:-1]
    signal = rng.standard_normal((2, 10 * LANES + 2 * half)).astype(np.float32)
    starts = 3 * np.arange(2 * LANES)
    bins = BandPowers(window, np.arange(half + 2) - 0.5)  # each a band of its own
    shaped = signal[:, starts[:, None] + np.arange(2 * half)] * window
    expected = np.mean(np.abs(np.fft.rfft(shaped)) ** 2, axis=0)
    np.testing.assert_allclose(
        bins.of(signal, starts), expected, rtol=1e-6, atol=2e-6 * expected.max()
    )


def test_fast_length_is_the_least_without_greater_factors():
    assert [fast_length(n) for n in (1, 7, 11, 353, 384, 385)] == [1, 8, 12, 360, 384, 400]


def test_share_agrees_with_its_slow_twin(rng):
    power = rng.uniform(size=(20, LANES)).astype(np.float32)
    edges = np.array([0.0, 0.25, 0.75, 2.5, 2.5, 9.0, 19.0, 20.0])
    bins = np.minimum(edges.astype(np.int64), 19)
    parts = (edges - bins).astype(np.float32)
    out = np.empty((LANES, len(edges) - 1), dtype=np.float32)
    share(power.reshape(-1), bins, parts, np.float32(0.5), np.empty(LANES, np.float32), out)
    below = np.vstack([np.zeros(LANES), np.cumsum(power, axis=0, dtype=np.float64)])
    at_edges = [np.interp(edges, np.arange(21), lane) for lane in below.T]
    np.testing.assert_allclose(out, 0.5 * np.diff(at_edges, axis=1), atol=1e-5)
