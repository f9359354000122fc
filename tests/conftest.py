"""Fixtures for all tests: seeded randomness, versions in the header."""

from __future__ import annotations

import os
import platform
from importlib.metadata import version

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as in `chainkit.process.settle`

import numpy as np
import pytest
from hypothesis import HealthCheck, settings

settings.register_profile(
    "repeatable",
    derandomize=True,
    deadline=None,
    max_examples=50,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture],
)
settings.load_profile("repeatable")


def pytest_report_header() -> str:
    """Versions of what the results depend on."""
    names = ("numpy", "scipy", "numba", "soundfile", "hypothesis")
    found = ", ".join(f"{name} {version(name)}" for name in names)
    return f"chainkit with {found}; {platform.machine()}"


def pytest_sessionstart() -> None:
    """Compile one loop, so that no test meets the word that the first use of all prints."""
    from chainkit.dsp.kernels_quantise import first_off_grid

    first_off_grid(np.zeros(1), 1.0)


@pytest.fixture
def rng() -> np.random.Generator:
    """The only source of randomness in tests."""
    return np.random.default_rng(20_240_607)
