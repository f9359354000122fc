"use strict";
// Joins the controls to what they do, and begins.

const PUMP = 100; // ms between two looks at the schedule
const STILL = 500; // ms between two places of the playhead where less motion is wished for

let wasPlaying = false;

function tick() {
  player.pump();
  showState();
  if (wasPlaying && !player.playing) showPosition(false); // it came to the end by itself
  wasPlaying = player.playing;
}

let drawn = 0;

function frame(time) {
  const pause = still.matches ? STILL : 0;
  if (player.playing && time - drawn >= pause) {
    drawn = time;
    showPosition(true);
  }
  requestAnimationFrame(frame);
}

function on(id, type, action) {
  byId(id)?.addEventListener(type, action);
}

function join() {
  on("play", "click", togglePlay);
  on("accept", "click", acceptCaution);
  on("decline", "click", () => byId("caution").close());
  on("position", "input", (event) => seek(event.target.valueAsNumber));
  on("volume", "input", (event) => setVolume(event.target.valueAsNumber));
  on("looping", "change", (event) => setLoop(sheet.loop, event.target.checked));
  on("loop-begin", "change", (event) => typeEnd("begin", event.target));
  on("loop-end", "change", (event) => typeEnd("end", event.target));
  on("begin-here", "click", () => moveEnd("begin", player.position));
  on("end-here", "click", () => moveEnd("end", player.position));
  on("clear-loop", "click", () => setLoop(null, false));
  on("closer", "click", () => sheet.zoom(0.5, player.position));
  on("wider", "click", () => sheet.zoom(2, player.position));
  on("fit-loop", "click", () => sheet.showLoop());
  on("fit-all", "click", () => sheet.showAll());
  on("next-sibilant", "click", () => goToSibilant(1));
  on("setup", "submit", startRound);
  on("setup", "change", setupChanged);
  on("trials", "input", showTrialsNote);
  on("round-end", "click", endRound);
  for (const radio of document.getElementsByName("candidate")) radio.addEventListener("change", chosen);
  for (const radio of document.getElementsByName("view")) radio.addEventListener("change", showView);
  for (const radio of document.getElementsByName("kind")) radio.addEventListener("change", changeKind);
  document.addEventListener("keydown", pressed);
  window.addEventListener("beforeunload", (event) => {
    if (round || unsaved) event.preventDefault();
  });
}

/** What tests and the curious may read; it names no candidate while a round is blind. */
const state = {
  get mode() {
    return mode();
  },
  get playing() {
    return player.playing && !player.waiting;
  },
  get waits() {
    return player.waits;
  },
  get position() {
    return secondsOf(player.position);
  },
  get entry() {
    return round ? letter : player.heard.lane + 1;
  },
  get view() {
    return data.views[player.heard.view].label;
  },
  get loop() {
    return player.loop && [player.loop.begin, player.loop.end].map(secondsOf);
  },
  get gain() {
    return volumeGain();
  },
  get loaded() {
    return round ? [] : [...store.order];
  },
};

join();
listKeys();
setVolume(byId("volume").value);
changeKind();
showCurves();
showChoice();
tick();
setInterval(tick, PUMP);
requestAnimationFrame(frame);
Object.defineProperty(window, "chainkitListening", { value: Object.freeze(state) });
