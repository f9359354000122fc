"""Lower sample rates and a window, against scipy."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from chainkit.dsp.decimation import decimated
from chainkit.dsp.ringing.harmonic_ratio import blackman_harris


@pytest.mark.parametrize(
    ("rate", "least", "factor"), [(44100, 22000, 2), (48000, 5000, 9), (192000, 22000, 8)]
)
def test_decimation_is_that_of_scipy(rng, rate, least, factor):
    x = rng.standard_normal(10_007)
    y, lower = decimated(x, rate, least)
    assert lower == rate / factor
    np.testing.assert_allclose(y, signal.resample_poly(x, 1, factor), rtol=0, atol=1e-14)


def test_a_rate_that_is_low_enough_stays(rng):
    x = rng.standard_normal(100)
    y, rate = decimated(x, 32000, 22000)
    assert y is x
    assert rate == 32000


@pytest.mark.parametrize("length", [2, 3, 601, 3456])
def test_the_window_is_that_of_scipy(length):
    expected = signal.windows.blackmanharris(length)
    np.testing.assert_allclose(blackman_harris(length), expected, rtol=0, atol=1e-15)
