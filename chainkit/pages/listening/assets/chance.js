"use strict";
// Chance: unbiased draws and shuffles, and the exact odds of a score.

const WORDS = 2 ** 32;

const randomWord = () => crypto.getRandomValues(new Uint32Array(1))[0];

/** A whole number from 0 to count − 1, each as likely. `draw` gives words of 32 random bits. */
function randomBelow(count, draw = randomWord) {
  const fair = WORDS - (WORDS % count); // words from here on would favour the small numbers
  let word = draw();
  while (word >= fair) word = draw();
  return word % count;
}

/** A shuffled copy: Fisher and Yates, so that every order is as likely. */
function shuffled(items, draw = randomWord) {
  const order = [...items];
  for (let last = order.length - 1; last > 0; last -= 1) {
    const pick = randomBelow(last + 1, draw);
    [order[last], order[pick]] = [order[pick], order[last]];
  }
  return order;
}

/** P(K ≥ hits) for K of `trials` independent guesses, each right once in `choices`: exact. */
function chanceOfAtLeast(hits, trials, choices) {
  let favourable = 0n;
  let ways = 1n; // "trials over wrong", as wrong guesses are added one by one
  for (let wrong = 0; wrong <= trials - hits; wrong += 1) {
    favourable += ways * BigInt(choices - 1) ** BigInt(wrong);
    ways = (ways * BigInt(trials - wrong)) / BigInt(wrong + 1);
  }
  return quotient(favourable, BigInt(choices) ** BigInt(trials));
}

/** The nearest double (to a bit) of one whole number over another, however large both are. */
function quotient(over, under) {
  const shift = 64 + under.toString(2).length - over.toString(2).length;
  return Number((over << BigInt(shift)) / under) * 2 ** -shift;
}

/** The fewest trials of which guessing hits all but one with a probability of at most `level`. */
function trialsNeeded(choices, level) {
  let trials = 2;
  while (chanceOfAtLeast(trials - 1, trials, choices) > level) trials += 1;
  return trials;
}

/** The fewest hits that guessing reaches with a probability of at most `level`; null if none. */
function hitsNeeded(trials, choices, level) {
  for (let hits = 0; hits <= trials; hits += 1) {
    if (chanceOfAtLeast(hits, trials, choices) <= level) return hits;
  }
  return null;
}
