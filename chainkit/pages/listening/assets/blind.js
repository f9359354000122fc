"use strict";
// Blind rounds on the page: setting one up, its trials, its report.

// Guessing must do as well less often than 1 time in 20.
const LEVEL = 0.05;
// 12 right are needed, which somebody who is right 4 times in 5 reaches 4 times in 5; of the least
// that leaves room for one error, 8, that listener gets 7 right in every other round only.
const IDENTITY_TRIALS = 16;

let unsaved = 0;
let trialsTyped = false;

function kindChosen() {
  const identity = document.querySelector("input[name=kind]:checked").value === "identity";
  byId("preference-options").hidden = identity;
  byId("identity-options").hidden = !identity;
  return identity ? "identity" : "preference";
}

function changeKind() {
  trialsTyped = false;
  suggestTrials();
  showTrialsNote();
}

function suggestTrials() {
  byId("trials").value =
    kindChosen() === "identity" ? IDENTITY_TRIALS : trialsNeeded(choices(), LEVEL / choices());
}

/** How many a pick is made from. */
const choices = () => Math.max(new Set(lanesChosen()).size, 2);

const original = (lane) => data.candidates[lane].sameAs ?? lane;

/** Whether the two to be told apart are the same audio. */
function twins() {
  const [one, other] = lanesChosen().map(original);
  return kindChosen() === "identity" && one === other;
}

function showTrialsNote() {
  byId("twins-note").hidden = !twins();
  const trials = trialsChosen();
  const note = kindChosen() === "identity" ? identityNote : preferenceNote;
  byId("trials-note").textContent = trials ? note(trials) : "";
}

function identityNote(trials) {
  const needed = hitsNeeded(trials, 2, LEVEL);
  return needed === null
    ? "Too few trials: even with all of them right, guessing would be more likely than 1 in 20."
    : `Guessing alone reaches ${needed} of ${trials} right less often than 1 time in 20. The number is fixed for the round, or the p-value would not hold.`;
}

/** Any candidate may come out ahead, so the chance of each counts. */
function preferenceNote(trials) {
  const needed = hitsNeeded(trials, choices(), LEVEL / choices());
  const verdict =
    needed === null
      ? "Too few trials: even if all picks go to one, picking at random would do so more often than 1 time in 20."
      : `Picking at random, one of them gets ${needed} of ${trials} picks less often than 1 time in 20.`;
  return `${verdict} Letters are dealt anew in each trial.`;
}

function setupChanged(event) {
  byId("setup-fault").textContent = "";
  if (event.target.id === "trials") trialsTyped = true;
  if (!trialsTyped) suggestTrials();
  showTrialsNote();
}

function trialsChosen() {
  const trials = byId("trials").valueAsNumber;
  return Number.isInteger(trials) && trials >= 1 && trials <= 100 ? trials : null;
}

const lanesChosen = () =>
  kindChosen() === "identity"
    ? [0, 1].map((side) => Number(byId(`pair-${side}`).value))
    : [...document.querySelectorAll("input[name=among]:checked")].map((box) => Number(box.value));

/** What keeps a round from starting, in words; empty when nothing does. */
function setupFault() {
  const lanes = new Set(lanesChosen());
  if (lanes.size < 2) return "Choose two different candidates at least.";
  if (!trialsChosen()) return "Give a whole number of trials from 1 to 100.";
  return "";
}

function startRound(event) {
  event.preventDefault();
  const fault = setupFault();
  byId("setup-fault").textContent = fault;
  if (fault) return;
  const Round = kindChosen() === "identity" ? IdentityRound : PreferenceRound;
  round = new Round(lanesChosen(), trialsChosen());
  round.started = new Date();
  player.group = round.lanes;
  enterMode();
  buildRound();
  nextTrial();
  byId("round-title").focus();
}

function enterMode() {
  document.body.dataset.mode = mode();
  for (const id of ["candidates", "blind-setup", "figures", "views", "results"]) {
    if (byId(id)) byId(id).hidden = Boolean(round);
  }
  byId("round").hidden = !round;
}

function buildRound() {
  byId("letters").replaceChildren(...round.letters.map(letterEntry));
  byId("answers").replaceChildren(...answerButtons());
  byId("round-question").textContent =
    round.kind === "identity" ? "X is one of A and B" : "Which do you prefer?";
  byId("round-note").textContent =
    round.kind === "identity"
      ? "A and B stay the same through the round; X is drawn anew each time. Right and wrong are told at the end."
      : "The letters stand for other candidates in the next trial.";
}

function letterEntry(name, place) {
  const entry = document.createElement("label");
  const radio = document.createElement("input");
  const text = document.createElement("span");
  Object.assign(radio, { type: "radio", name: "letter", value: place });
  radio.addEventListener("change", chosen);
  text.className = "letter";
  text.textContent = name;
  entry.append(radio, text);
  return entry;
}

function answerButtons() {
  if (round.kind === "identity") {
    return ["A", "B"].map((each) => button(`X is ${each}`, () => answer(each)));
  }
  const prefer = button("", () => answer(letter));
  prefer.id = "prefer";
  return [prefer, button("No preference", () => answer(null))];
}

/** One button stands for the letter that is chosen. */
function showAnswer() {
  if (byId("prefer")) byId("prefer").textContent = `I prefer ${letter}`;
}

function button(text, action) {
  const made = document.createElement("button");
  Object.assign(made, { type: "button", textContent: text, onclick: action });
  return made;
}

/** Each trial begins from silence: what plays on would tell what the last letter was. */
function nextTrial() {
  player.pause();
  player.seek(player.loop?.begin ?? 0);
  radios()[0].checked = true;
  current.blind = 0;
  previous.blind = 0;
  byId("round-title").textContent = `Trial ${round.answered + 1} of ${round.planned}`;
  chosen();
  announce(byId("round-title").textContent);
}

function answer(picked) {
  round.answer(picked);
  if (round.finished) endRound();
  else nextTrial();
}

function endRound() {
  player.pause();
  const report = reportOf(round, circumstances());
  round = null;
  player.group = null;
  enterMode();
  chosen();
  byId("results").hidden = !byId("reports").childElementCount && !report.trials.length;
  if (report.trials.length) addReport(report);
  else byId("start-round").focus();
}

function circumstances() {
  return {
    page: data.title,
    started: round.started.toISOString(),
    ended: new Date().toISOString(),
    view: data.views[player.choice.view].label,
    loop: player.loop && [player.loop.begin, player.loop.end].map(secondsOf),
    volume_db: Number(byId("volume").value),
    matching: data.matching,
    names,
  };
}

function addReport(report) {
  const entry = document.createElement("article");
  const title = document.createElement("h3");
  const text = document.createElement("p");
  const trials = document.createElement("ol");
  const actions = document.createElement("div");
  title.textContent = titleOf(report);
  text.className = "verdict";
  text.textContent = verdict(report);
  trials.append(...report.trials.map(trialItem));
  actions.className = "answers";
  const stem = `listening-${report.ended.slice(0, 19).replace(/:/g, "-")}`;
  actions.append(
    saveButton("Save as text", `${stem}.txt`, "text/plain;charset=utf-8", () => reportText(report)),
    saveButton("Save as JSON", `${stem}.json`, "application/json", () => `${JSON.stringify(report, null, 2)}\n`),
  );
  entry.append(title, text, note(report.p_meaning), mappingList(report), folded("Trial by trial", trials), actions);
  byId("reports").prepend(entry);
  byId("results-title").focus();
  unsaved += 1;
  byId("status").textContent = `${titleOf(report)} ${verdict(report)}`;
}

function folded(text, content) {
  const details = document.createElement("details");
  const summary = document.createElement("summary");
  summary.textContent = text;
  details.append(summary, content);
  return details;
}

function note(text) {
  const made = document.createElement("p");
  made.className = "note";
  made.textContent = text;
  return made;
}

function mappingList(report) {
  const list = document.createElement("ul");
  list.append(...reveal(report).map(textItem));
  return list;
}

const trialItem = (trial) => textItem(trialText(trial));

function textItem(text) {
  const item = document.createElement("li");
  item.textContent = text;
  return item;
}

function saveButton(text, name, type, content) {
  let saved = false;
  return button(text, () => {
    keep(name, type, content());
    if (!saved) unsaved -= 1;
    saved = true;
  });
}
