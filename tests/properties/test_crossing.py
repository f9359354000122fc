"""Zeros of falling functions: found whatever the function is like, and in few questions."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from chainkit.dsp.crossing import find_crossing

LOW, HIGH = -60.0, 48.0
TOLERANCE = 0.002


class Falling:
    """Straight pieces, each starting at or below the end of the one before; counts its answers."""

    def __init__(self, edges, levels):
        self.edges = edges  # n + 1 rising
        self.starts, self.ends = levels[::2], levels[1::2]  # n each, falling in turn
        self.asked = []

    def __call__(self, value):
        assert self.edges[0] <= value <= self.edges[-1]
        assert value not in self.asked
        self.asked.append(value)
        n = min(int(np.searchsorted(self.edges, value, side="right")), len(self.starts)) - 1
        share = (value - self.edges[n]) / (self.edges[n + 1] - self.edges[n])
        return (1.0 - share) * self.starts[n] + share * self.ends[n]

    def nearest(self):
        """Least magnitude that the function has or comes arbitrarily near to."""
        crossed = any(a >= 0.0 >= b for a, b in zip(self.starts, self.ends, strict=True))
        return 0.0 if crossed else min(map(abs, (*self.starts, *self.ends)))


@st.composite
def falling(draw):
    inner = draw(st.lists(st.integers(-59_000, 47_000), max_size=6, unique=True))
    edges = [LOW, *sorted(edge / 1000.0 for edge in inner), HIGH]
    count = 2 * len(edges) - 2
    levels = draw(st.lists(st.floats(-120.0, 120.0), min_size=count, max_size=count))
    return Falling(edges, sorted(levels, reverse=True))


STEP = ([LOW, 7.0, HIGH], [5.0, 5.0, -5.0, -5.0])
FLAT_THEN_STEEP = ([LOW, 47.0, 47.001, HIGH], [1.0, 1.0, 1.0, -100.0, -100.0, -100.0])
NEVER = ([LOW, HIGH], [90.0, 10.0])


@given(falling(), st.floats(-100.0, 100.0), st.floats(0.0, 1.0))
@example(Falling(*STEP), 0.0, 1.0)
@example(Falling(*FLAT_THEN_STEEP), 0.0, 0.01)
@example(Falling(*NEVER), 0.0, 1.0)
def test_the_crossing_of_any_falling_function_is_found(function, start, slope):
    value, miss = find_crossing(function, start, slope, LOW, HIGH, tolerance=TOLERANCE, most=10_000)
    asked, function.asked = function.asked, []
    assert miss == function(value)
    assert abs(miss) <= function.nearest() + TOLERANCE
    # A halving of 108 to the last bit of a float takes some 60; see the docstring for the rest.
    assert len(asked) <= 200


@pytest.mark.parametrize("most", [1, 2, 5])
def test_it_asks_no_more_than_it_may_and_gives_the_best_answer(most):
    function = Falling(*FLAT_THEN_STEEP)
    value, miss = find_crossing(function, 0.0, 0.5, LOW, HIGH, tolerance=TOLERANCE, most=most)
    asked, function.asked = function.asked, []
    assert len(asked) == most
    assert abs(miss) == min(abs(function(each)) for each in asked)
    assert value in asked


@pytest.mark.parametrize(("offset", "bound"), [(200.0, HIGH), (-200.0, LOW)])
def test_without_a_crossing_it_ends_at_the_bound(offset, bound):
    answer = find_crossing(lambda x: offset - x, 0.0, 1.0, LOW, HIGH, tolerance=TOLERANCE, most=20)
    assert answer == (bound, offset - bound)


@pytest.mark.parametrize("share", [0.1, 0.3, 0.5, 0.9])
@pytest.mark.parametrize("likeness", [0.0, 0.5, 1.0])
def test_the_level_of_a_mix_of_two_signals_takes_few_answers(share, likeness):
    """Power of a sum: (1 − s)² + 2ρ(1 − s)sg + (sg)², each of the two of power 1."""
    asked = []

    def miss(gain_db):
        asked.append(gain_db)
        dry, wet = 1.0 - share, share * 10.0 ** (gain_db / 20.0)
        return -10.0 * math.log10(dry * dry + 2.0 * likeness * dry * wet + wet * wet)

    _, found = find_crossing(miss, 0.0, share, LOW, HIGH, tolerance=TOLERANCE, most=20)
    assert abs(found) <= TOLERANCE
    assert len(asked) <= 8
