"use strict";
// The page: what plays, what is chosen, what is looped, and how that is shown.

const STEP = 1; // s that the step keys move
const SILENT = -60; // dB at which the volume control is off
const RING = 0.02; // s over which the volume moves

const data = JSON.parse(document.getElementById("data").textContent);
const byId = (id) => document.getElementById(id);
const still = window.matchMedia("(prefers-reduced-motion: reduce)");
const count = data.candidates.length;
const inOneLine = (text) => text.replace(/\s+/g, " ").trim();
const names = data.candidates.map((candidate) => inOneLine(candidate.name));

// Audio

const store = new AudioStore({
  rate: data.rate,
  frames: data.frames,
  partFrames: data.partFrames,
  channels: data.views.map((view) => view.channels),
  memory: data.memory,
  add: (name, failed) => addScript(`listen/${name}.js`, failed),
  changed: () => partCame(),
});
const player = new Player(store, count);
let volumeNode = null;

function addScript(source, failed) {
  const script = document.createElement("script");
  script.onload = () => script.remove();
  script.onerror = () => {
    script.remove();
    failed(new Error(source));
  };
  script.src = source;
  document.head.append(script);
}

function receiveAudio(name, text) {
  store.receive(name, text);
}

function partCame() {
  if (store.failed.length) {
    complain(`Part of the audio is missing or damaged: listen/${store.failed[0]}.js. Keep the folder “listen” beside this page.`);
  }
  player.pump();
  showState();
}

function complain(text) {
  byId("fault").textContent = text;
  byId("fault").hidden = false;
}

/** Start the audio clock; false where the browser cannot run it at the files' rate. */
function openAudio() {
  try {
    const context = new AudioContext({ sampleRate: data.rate, latencyHint: "interactive" });
    volumeNode = new GainNode(context, { gain: volumeGain() });
    volumeNode.connect(context.destination);
    player.attach(context, volumeNode);
    return true;
  } catch {
    complain(`This browser cannot play audio at ${data.rate} Hz.`);
    return false;
  }
}

// Playing

const frameOf = (seconds) => Math.round(seconds * data.rate);
const secondsOf = (frame) => frame / data.rate;

function togglePlay() {
  if (player.playing) pause();
  else if (player.context) play();
  else byId("caution").showModal();
}

function play() {
  player.context.resume();
  player.play();
  show();
  announce("Playing");
}

function pause() {
  player.pause();
  show();
  announce("Paused");
}

function acceptCaution() {
  byId("caution").close();
  byId("play").focus();
  if (openAudio()) play();
}

function seek(seconds) {
  player.seek(frameOf(seconds));
  show();
}

function step(seconds) {
  seek(secondsOf(player.position) + seconds);
  announce("Moved");
}

function volumeGain() {
  const level = Number(byId("volume").value);
  return level <= SILENT ? 0 : 10 ** (Math.min(level, 0) / 20);
}

function setVolume(level) {
  byId("volume").value = level;
  const value = Number(byId("volume").value);
  const text = value <= SILENT ? "off" : `${value < 0 ? "−" : ""}${Math.abs(value)} dB`;
  byId("volume-text").textContent = text;
  byId("volume").setAttribute("aria-valuetext", text);
  volumeNode?.gain.setTargetAtTime(volumeGain(), player.context.currentTime, RING);
}

// Choosing

const current = { open: 0, blind: 0 }; // places in the list that is shown
const previous = { open: 0, blind: 0 };
let round = null;
let letter = null;

const mode = () => (round ? "blind" : "open");
const radios = () => document.getElementsByName(round ? "letter" : "candidate");

/** Hear the entry at `place` of the list that is shown: a candidate, or a letter of the round. */
function choose(place) {
  const radio = radios()[place];
  if (!radio || radio.checked) return;
  radio.checked = true;
  chosen();
}

/** A radio button was checked. */
function chosen() {
  const place = [...radios()].findIndex((radio) => radio.checked);
  if (place !== current[mode()]) previous[mode()] = current[mode()];
  current[mode()] = place;
  letter = round ? round.letters[place] : null;
  player.select(round ? round.laneOf(letter) : place);
  showCurves();
  showChoice();
  announce();
}

function nextView() {
  if (round || data.views.length < 2) return;
  const radio = document.getElementsByName("view")[(player.choice.view + 1) % data.views.length];
  radio.checked = true;
  showView();
}

function showView() {
  const radio = document.querySelector("input[name=view]:checked");
  player.show(Number(radio.value));
  show();
  announce();
}

// Reduction curves

const curves = new Map();

function receiveCurves(candidate, stages) {
  const decoded = stages.map(({ stage, step: interval, points, greatest: most, mean }) => ({
    stage: inOneLine(stage),
    step: interval,
    greatest: most,
    mean,
    points: Float32Array.from(new Uint16Array(bytesOf(points).buffer), (value) => value / 100),
  }));
  curves.set(candidate, decoded);
  showCurves();
}

function showCurves() {
  const lane = player.choice.lane;
  const shown = round ? [] : curves.get(lane);
  byId("reduction-key").hidden = !shown?.length;
  if (shown) sheet.showCurves(shown);
  else addScript(`listen/curves-${lane}.js`, () => complain(`Missing: listen/curves-${lane}.js.`));
}

// Loop

const sheet = new Sheet(
  data,
  { stack: byId("stack"), canvas: byId("wave"), curves: byId("curves"), playhead: byId("playhead") },
  {
    seek: (frame) => seek(secondsOf(frame)),
    draw: (loop) => setLoop(loop, true),
  },
);

function setLoop(loop, looping) {
  sheet.loop = loop;
  sheet.looping = looping;
  byId("looping").checked = looping;
  byId("loop-begin").value = loop ? secondsOf(loop.begin).toFixed(2) : "";
  byId("loop-end").value = loop ? secondsOf(loop.end).toFixed(2) : "";
  player.repeat(looping ? loop ?? { begin: 0, end: data.frames } : null);
  sheet.draw();
  show();
  announce(loopText());
}

function loopText() {
  if (!sheet.looping) return "Loop off";
  if (!sheet.loop) return "Looping the whole";
  return `Looping ${clock(secondsOf(sheet.loop.begin))} to ${clock(secondsOf(sheet.loop.end))}`;
}

/** The loop with one of its ends moved to `frame`; the other end gives way where it must. */
function withEnd(which, frame) {
  const least = Math.min(Math.ceil(SHORTEST_LOOP * data.rate), data.frames);
  const place = Math.max(0, Math.min(frame, data.frames));
  if (which === "begin") {
    const begin = Math.min(place, data.frames - least);
    const end = sheet.loop?.end ?? data.frames;
    return { begin, end: end >= begin + least ? end : data.frames };
  }
  const end = Math.max(place, least);
  const begin = sheet.loop?.begin ?? 0;
  return { begin: begin <= end - least ? begin : 0, end };
}

const moveEnd = (which, frame) => setLoop(withEnd(which, frame), true);

function typeEnd(which, input) {
  if (input.value === "" || !Number.isFinite(input.valueAsNumber)) return;
  moveEnd(which, frameOf(input.valueAsNumber));
}

// Sibilants

function goToSibilant(direction) {
  const here = secondsOf(player.position);
  const starts = data.sibilants.map(([start]) => start);
  const next =
    direction > 0
      ? starts.findIndex((start) => start > here + 0.3)
      : starts.findLastIndex((start) => start < here + 0.1);
  if (next < 0) return announce("No further sibilant");
  seek(Math.max(0, starts[next] - 0.2)); // a little ahead of it, to hear how it comes in
  return announce(`Sibilant ${next + 1} of ${starts.length}`);
}

// Showing

function heardName() {
  return round ? letter : names[player.choice.lane];
}

function showChoice() {
  if (round) showAnswer();
  else showEntry(radios()[player.choice.lane].parentElement);
  byId("heard-figure").textContent = round ? letter : player.choice.lane + 1;
  byId("heard-name").textContent = round ? "Name hidden" : data.candidates[player.choice.lane].name;
  show();
}

/** Bring an entry into sight by moving the list alone: the page stays where it is. */
function showEntry(entry) {
  const list = byId("list");
  const below = entry.offsetTop + entry.offsetHeight - list.clientHeight;
  list.scrollTop = Math.min(entry.offsetTop, Math.max(below, list.scrollTop));
}

/** In a blind round only what all letters share is told: who loads would tell who is meant. */
function stateText() {
  const { choice, heard } = player;
  const changing = choice.lane !== heard.lane || choice.view !== heard.view;
  return player.waiting || (changing && !round) ? "loading" : "";
}

function show() {
  showState();
  showPosition(false);
}

function showState() {
  write("play", player.playing ? "Pause" : "Play");
  write("heard-kind", player.playing ? "Heard now" : "Chosen");
  write("heard-state", [data.views[player.choice.view].label, stateText()].filter(Boolean).join(", "));
}

/** Change a text only when it differs, so that nothing is read out again for nothing. */
function write(id, text) {
  if (byId(id).textContent !== text) byId(id).textContent = text;
}

function showPosition(follow) {
  const seconds = secondsOf(player.position);
  byId("clock").textContent = clock(seconds);
  const slider = byId("position");
  // A slider that moves by itself while it has the focus makes a screen reader talk all the time.
  if (document.activeElement !== slider || !player.playing) {
    slider.value = seconds;
    slider.setAttribute("aria-valuetext", spokenClock(seconds));
  }
  sheet.movePlayhead(player.position, follow);
}

/** Say what happened, what is heard and where, to screen readers. */
function announce(what) {
  const place = `${data.views[player.choice.view].label}, ${clock(secondsOf(player.position))}`;
  // A radio button that has the focus has just said the name itself.
  const named = [...radios()].includes(document.activeElement) ? place : `${heardName()}, ${place}`;
  byId("status").textContent = what ? `${what}. ${named}` : named;
}
