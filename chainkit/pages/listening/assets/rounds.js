"use strict";
// Blind rounds. A round alone knows which letter stands for which lane, until it is finished.

/** A, B, … Z, AA, AB, … */
function letterOf(place) {
  const letter = String.fromCharCode(65 + (place % 26));
  return place < 26 ? letter : letterOf(Math.floor(place / 26) - 1) + letter;
}

/** "Which do I prefer?": new letters in each trial, the listener picks one or none. */
class PreferenceRound {
  #lanes;
  #order = [];
  #trials = [];

  constructor(lanes, planned) {
    this.kind = "preference";
    this.planned = planned;
    this.letters = lanes.map((_, place) => letterOf(place));
    this.#lanes = lanes;
    this.#deal();
  }

  #deal() {
    this.#order = shuffled(this.#lanes);
  }

  get lanes() {
    return [...this.#lanes];
  }

  get answered() {
    return this.#trials.length;
  }

  get finished() {
    return this.answered === this.planned;
  }

  laneOf(letter) {
    return this.#order[this.letters.indexOf(letter)];
  }

  /** Take a letter, or null for "no preference", and deal the next trial. */
  answer(letter) {
    const shown = Object.fromEntries(this.letters.map((each) => [each, this.laneOf(each)]));
    this.#trials.push({ shown, answer: letter, lane: letter === null ? null : this.laneOf(letter) });
    this.#deal();
  }

  /**
   * Times each lane was picked, most first. `p`: how often somebody who picks at random would pick
   * any one lane at least as often, an upper bound: each lane's exact tail times their number.
   */
  result() {
    const choices = this.#lanes.length;
    const tallies = this.#lanes
      .map((lane) => ({ lane, picked: this.#trials.filter((trial) => trial.lane === lane).length }))
      .sort((one, other) => other.picked - one.picked);
    const picks = this.#trials.filter((trial) => trial.lane !== null).length;
    const tail = chanceOfAtLeast(tallies[0].picked, picks, choices);
    return {
      trials: this.#trials,
      tallies,
      picks,
      p: this.finished && picks > 0 ? Math.min(1, tail * choices) : null,
    };
  }
}

/** "Which one is X?": A and B keep their lanes, X is drawn anew in each trial. */
class IdentityRound {
  #pair;
  #x = 0;
  #trials = [];

  constructor(pair, planned) {
    this.kind = "identity";
    this.planned = planned;
    this.letters = ["A", "B", "X"];
    this.#pair = shuffled(pair);
    this.#deal();
  }

  #deal() {
    this.#x = randomBelow(2);
  }

  get lanes() {
    return [...this.#pair].sort((one, other) => one - other);
  }

  get answered() {
    return this.#trials.length;
  }

  get finished() {
    return this.answered === this.planned;
  }

  laneOf(letter) {
    return this.#pair[letter === "X" ? this.#x : this.letters.indexOf(letter)];
  }

  /** Take "A" or "B" for X, and draw the next X. */
  answer(letter) {
    const shown = Object.fromEntries(this.letters.map((each) => [each, this.laneOf(each)]));
    this.#trials.push({ shown, answer: letter, right: this.laneOf(letter) === this.laneOf("X") });
    this.#deal();
  }

  /** Right answers, and how often guessing would reach as many: P(K ≥ right), one-sided, exact. */
  result() {
    const right = this.#trials.filter((trial) => trial.right).length;
    return {
      trials: this.#trials,
      right,
      p: this.finished ? chanceOfAtLeast(right, this.planned, 2) : null,
    };
  }
}
