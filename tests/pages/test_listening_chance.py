"""The chance in blind rounds: fair draws, fair shuffles, exact odds."""

from __future__ import annotations

from itertools import permutations, product

import numpy as np
import pytest
from scipy import stats

pytestmark = pytest.mark.browser


def test_each_order_comes_from_as_many_draws(scripts):
    """All draws that Fisher and Yates can make of four: each order once (Knuth, TAOCP 2, 3.4.2)."""
    draws = [list(draw) for draw in product(range(4), range(3), range(2))]
    orders = scripts.evaluate(
        "(draws) => draws.map((draw) => shuffled([0, 1, 2, 3], () => draw.shift()))", draws
    )
    assert sorted(orders) == sorted(map(list, permutations(range(4))))


def test_words_that_would_favour_small_numbers_are_drawn_again(scripts):
    words = [2**32 - 1, 2**32 - 2, 2**32 - 3, 8]
    drawn = scripts.evaluate("(words) => [randomBelow(7, () => words.shift()), words]", words)
    assert 2**32 % 7 == 4
    assert drawn == [8 % 7, []]


def test_shuffles_are_uniform(scripts):
    """Pearson's test; a fair shuffle fails it once in a thousand million runs."""
    counts = scripts.evaluate("""() => {
      const counts = {};
      for (let run = 0; run < 48000; run += 1) {
        const order = shuffled([0, 1, 2, 3]).join("");
        counts[order] = (counts[order] ?? 0) + 1;
      }
      return counts;
    }""")
    assert len(counts) == 24
    assert stats.chisquare(list(counts.values())).pvalue > 1e-9


def test_letters_and_x_are_dealt_uniformly(scripts):
    first, hidden = scripts.evaluate("""() => {
      const [first, hidden] = [[0, 0, 0], [0, 0, 0, 0]];
      for (let run = 0; run < 30000; run += 1) {
        first[new PreferenceRound([0, 1, 2], 1).laneOf("B")] += 1;
        const round = new IdentityRound([0, 1], 1);
        hidden[2 * round.laneOf("A") + round.laneOf("X")] += 1;
      }
      return [first, hidden];
    }""")
    assert stats.chisquare(first).pvalue > 1e-9
    assert stats.chisquare(hidden).pvalue > 1e-9


@pytest.mark.parametrize("choices", [2, 3, 12])
def test_odds_are_those_of_the_exact_binomial_test(scripts, choices):
    cases = [(hits, trials) for trials in (1, 5, 16, 100) for hits in range(trials + 1)]
    odds = scripts.evaluate(
        "([cases, choices]) => cases.map(([k, n]) => chanceOfAtLeast(k, n, choices))",
        [cases, choices],
    )
    reference = [
        stats.binomtest(hits, trials, 1 / choices, alternative="greater").pvalue
        for hits, trials in cases
    ]
    np.testing.assert_allclose(odds, reference, rtol=1e-9)


def test_odds_of_fair_guesses_are_exact(scripts):
    """All of n right: 1/2^n; all but one: (n + 1)/2^n. Doubles hold both exactly."""
    odds = scripts.evaluate(
        "[[16, 16], [15, 16], [100, 100]].map(([k, n]) => chanceOfAtLeast(k, n, 2))"
    )
    assert odds == [2.0**-16, 17 * 2.0**-16, 2.0**-100]


@pytest.mark.parametrize("choices", [2, 3, 6, 12])
def test_the_fewest_trials_forgive_one_error(scripts, choices):
    needed = scripts.evaluate("(choices) => trialsNeeded(choices, 0.05 / choices)", choices)
    tails = [stats.binom.sf(n - 2, n, 1 / choices) * choices for n in range(2, 12)]
    assert needed == 2 + next(n for n, tail in enumerate(tails) if tail <= 0.05)


@pytest.mark.parametrize("trials", [4, 5, 16, 100])
def test_hits_needed_for_one_in_twenty(scripts, trials):
    needed = scripts.evaluate("(trials) => hitsNeeded(trials, 2, 0.05)", trials)
    tails = stats.binom.sf(np.arange(trials + 1) - 1, trials, 0.5)
    enough = np.flatnonzero(tails <= 0.05)
    assert needed == (enough[0] if len(enough) else None)
