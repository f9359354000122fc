"use strict";
// The report of a blind round: as data, as text, and as the file that the listener keeps.

const plural = (count, one, many) => `${count} ${count === 1 ? one : many}`;

/** Three significant digits; small probabilities in powers of ten. */
function odds(p) {
  if (p >= 0.001) return p.toPrecision(3);
  const [digits, power] = p.toExponential(2).split("e");
  return `${digits} × 10^${Number(power)}`;
}

const MEANINGS = {
  identity:
    "Exact binomial, one-sided: how often guessing alone would give at least as many right answers, P(K ≥ right) with a chance of 1/2 each.",
  preference:
    "Exact binomial, times the number of candidates: at most how often picking at random would give some candidate at least as many picks.",
};

/** What a finished or broken-off round came to, with names in place of lanes. */
function reportOf(round, setting) {
  const name = (lane) => (lane === null ? null : setting.names[lane]);
  const named = (shown) =>
    Object.fromEntries(Object.entries(shown).map(([letter, lane]) => [letter, name(lane)]));
  const { trials, p, right, tallies, picks } = round.result();
  const { names, ...circumstances } = setting;
  return {
    kind: round.kind,
    ...circumstances,
    candidates: round.lanes.map(name),
    planned: round.planned,
    finished: round.finished,
    ...(round.kind === "identity"
      ? { right }
      : { picks, tallies: tallies.map(({ lane, picked }) => ({ name: name(lane), picked })) }),
    p,
    p_meaning: MEANINGS[round.kind],
    trials: trials.map(({ shown, answer, lane, right: hit }) => ({
      shown: named(shown),
      answer,
      ...(round.kind === "identity" ? { right: hit } : { picked: name(lane) }),
    })),
  };
}

/** The outcome in one or two sentences. */
function verdict(report) {
  const count = report.trials.length;
  if (report.kind === "identity") {
    const score = `${report.right} of ${plural(count, "answer", "answers")} right.`;
    return report.p === null
      ? `${score} The round was ended early, so it has no p-value.`
      : `${score} Guessing alone would do at least as well with probability p = ${odds(report.p)}.`;
  }
  const [first] = report.tallies;
  if (report.picks === 0) return "No preference in any trial.";
  const most = report.tallies.filter((each) => each.picked === first.picked);
  const leaders =
    most.length > 2 ? `${most.length} candidates` : most.map((each) => `“${each.name}”`).join(" and ");
  const score = `Picked most: ${leaders}, ${first.picked} of ${plural(report.picks, "pick", "picks")}${most.length > 1 ? " each" : ""}.`;
  return report.p === null
    ? `${score} The round was ended early, so it has no p-value.`
    : `${score} Picking at random, some candidate would do at least as well with probability of at most p = ${odds(report.p)}.`;
}

const titleOf = (report) =>
  report.kind === "identity" ? "Which one is X?" : "Which do I prefer?";

/** What the letters stood for, or how often each candidate was picked. */
function reveal(report) {
  if (report.kind === "identity") {
    const { A, B } = report.trials[0].shown;
    return [`A was ${A}`, `B was ${B}`];
  }
  return report.tallies.map(({ name, picked }) => `${name}: picked ${plural(picked, "time", "times")}`);
}

/** The report as plain text. */
function reportText(report) {
  const loop = report.loop ? `loop ${report.loop.map((end) => end.toFixed(2)).join(" to ")} s` : "no loop";
  const lines = [
    report.page,
    `${titleOf(report)} Ended ${report.ended}.`,
    "",
    verdict(report),
    report.p_meaning,
    "",
    ...reveal(report),
    "",
    `Heard: ${report.view}, ${loop}, volume ${report.volume_db} dB.`,
    ...report.matching,
    "",
    ...report.trials.map((trial, place) => `${place + 1}. ${trialText(trial)}`),
  ];
  return `${lines.join("\n")}\n`;
}

function trialText(trial) {
  if ("right" in trial) {
    const hidden = trial.shown.X === trial.shown.A ? "A" : "B";
    return `X was ${hidden}, the answer ${trial.answer}: ${trial.right ? "right" : "wrong"}`;
  }
  const shown = Object.entries(trial.shown).map(([letter, name]) => `${letter} was ${name}`);
  const picked = trial.answer === null ? "no preference" : `preferred ${trial.answer}`;
  return `${picked} (${shown.join("; ")})`;
}

/** Hand a file to the listener: made here, saved by the browser, sent nowhere. */
function keep(name, type, text) {
  const link = document.createElement("a");
  link.href = URL.createObjectURL(new Blob([text], { type }));
  link.download = name;
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 60_000);
}
