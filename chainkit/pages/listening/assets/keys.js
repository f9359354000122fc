"use strict";
// Single keys: what each does, and the list of them on the page.

const KEYS = [
  [["Space", "p"], "Play or pause", togglePlay],
  [["1", "2", "3", "4", "5", "6", "7", "8", "9", "0"], "Hear the first to the tenth of the list", (key) => choose((Number(key) + 9) % 10)],
  [["a", "b", "c", "d", "e", "f", "g", "h", "i", "j", "k", "l", "x"], "In a blind round: hear that letter", (key) => hearLetter(key)],
  [["t"], "To and fro: back to the one heard before", () => choose(previous[mode()])],
  [["v"], "Next way to hear it", nextView],
  [[","], "One second back", () => step(-STEP)],
  [["."], "One second on", () => step(STEP)],
  [["Home"], "To the beginning of the loop, or of all", () => step(secondsOf((player.loop?.begin ?? 0) - player.position))],
  [["s"], "To the next sibilant", () => goToSibilant(1)],
  [["S"], "To the sibilant before", () => goToSibilant(-1)],
  [["q"], "Loop begins here", () => moveEnd("begin", player.position)],
  [["w"], "Loop ends here", () => moveEnd("end", player.position)],
  [["r"], "Loop on or off", () => setLoop(sheet.loop, !sheet.looping)],
  [["z"], "Waveform closer", () => sheet.zoom(0.5, player.position)],
  [["Z"], "Waveform wider", () => sheet.zoom(2, player.position)],
  [["+", "="], "Volume up 1 dB", () => setVolume(Number(byId("volume").value) + 1)],
  [["-"], "Volume down 1 dB", () => setVolume(Number(byId("volume").value) - 1)],
  [["o"], "Say what is heard, and where", () => announce("Now")],
];

const ACTIONS = new Map(KEYS.flatMap(([keys, , action]) => keys.map((key) => [key, action])));

function hearLetter(key) {
  if (round) choose(round.letters.indexOf(key.toUpperCase()));
}

function keyText(keys) {
  if (keys.at(-1) === "x") return "A … L, X";
  if (keys.length > 2) return `${keys[0]} … ${keys.at(-1)}`;
  return keys.map((key) => (/^[A-Z]$/.test(key) ? `Shift ${key}` : key.length > 1 ? key : key.toUpperCase())).join(" or ");
}

function listKeys() {
  for (const [keys, meaning] of KEYS) {
    const entry = document.createElement("div");
    const term = document.createElement("dt");
    const description = document.createElement("dd");
    term.textContent = keyText(keys);
    description.textContent = meaning;
    entry.append(term, description);
    byId("key-list").append(entry);
  }
}

const TYPING = "input[type=number], input[type=text], select, textarea";
const PRESSABLE = "button, input[type=checkbox], summary, a, #setup input[type=radio]";

function pressed(event) {
  const target = event.target instanceof Element ? event.target : document.body;
  if (!byId("single-keys").checked || byId("caution").open || event.defaultPrevented) return;
  if (event.ctrlKey || event.altKey || event.metaKey || target.closest(TYPING)) return;
  if (event.key === " " && target.closest(PRESSABLE)) return;
  if (event.key === "Home" && target.closest("input[type=range]")) return;
  const key = event.key === " " ? "Space" : event.key;
  const action = ACTIONS.get(key) ?? ACTIONS.get(key.toLowerCase());
  if (!action) return;
  event.preventDefault();
  action(key);
}
