"use strict";
// The sheet: waveform, sibilants, loop and reduction curves, drawn to one time axis.

const GRAB = 8; // px within which the pointer takes hold of an end of the loop
const DRAG = 4; // px that make a press a drag
const SHORTEST_LOOP = 0.1; // s
const CLOSEST = 0.5; // s that the sheet shows at the most zoom
const DECIBEL_STEPS = [3, 6, 12, 18, 24, 36, 48];

const signedBytes = (text) => new Int8Array(bytesOf(text).buffer);

/** "1:23.4", or in words for a screen reader: "1 minute 23.4 seconds". */
function clock(seconds) {
  const tenths = Math.floor(seconds * 10 + 1e-6);
  const rest = ((tenths % 600) / 10).toFixed(1).padStart(4, "0");
  return `${Math.floor(tenths / 600)}:${rest}`;
}

function spokenClock(seconds) {
  const tenths = Math.floor(seconds * 10 + 1e-6);
  const minutes = Math.floor(tenths / 600);
  const rest = `${(tenths % 600) / 10} seconds`;
  return minutes ? `${minutes} ${minutes === 1 ? "minute" : "minutes"} ${rest}` : rest;
}

/** What a stage did over all frames. */
const overall = ({ greatest: most, mean }) =>
  most > 0 ? `greatest ${most.toFixed(1)} dB, mean ${mean.toFixed(1)} dB overall` : "none overall";

/** A step of the time axis that leaves room for its labels. */
function tickStep(seconds, width) {
  const least = (seconds * 64) / width;
  return [0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300, 600].find((step) => step >= least) ?? 1800;
}

/** A canvas sized to its box; returns its context in CSS pixels, cleared. */
function prepared(canvas) {
  const { clientWidth: width, clientHeight: height } = canvas;
  const scale = window.devicePixelRatio || 1;
  canvas.width = Math.round(width * scale);
  canvas.height = Math.round(height * scale);
  const pen = canvas.getContext("2d");
  pen.scale(scale, scale);
  return { pen, width, height };
}

class Sheet {
  #data;
  #elements;
  #overview;
  #drag = null;

  /**
   * elements: stack, canvas, curves, playhead. events: seek(frame), draw(loop) when the listener
   * points at the sheet.
   */
  constructor(data, elements, events) {
    this.#data = data;
    this.#elements = elements;
    this.events = events;
    this.loop = null; // { begin, end } in frames
    this.looping = false;
    this.window = { begin: 0, end: data.frames };
    this.curves = [];
    const { step, low, high } = data.overview;
    this.#overview = { step, low: signedBytes(low), high: signedBytes(high) };
    this.#listen(elements.canvas);
    new ResizeObserver(() => this.draw()).observe(elements.stack);
    for (const query of ["print", "(prefers-color-scheme: dark)", "(forced-colors: active)"]) {
      window.matchMedia(query).addEventListener("change", () => this.draw());
    }
  }

  get #width() {
    return this.#elements.canvas.clientWidth;
  }

  xOf(frame) {
    const { begin, end } = this.window;
    return ((frame - begin) / (end - begin)) * this.#width;
  }

  frameAt(x) {
    const { begin, end } = this.window;
    const frame = begin + (x / this.#width) * (end - begin);
    return Math.round(Math.max(0, Math.min(frame, this.#data.frames)));
  }

  // Looking closer

  zoom(factor, around) {
    const { frames, rate } = this.#data;
    const { begin, end } = this.window;
    const length = Math.max(Math.min(CLOSEST * rate, frames), Math.min((end - begin) * factor, frames));
    const share = Math.max(0, Math.min((around - begin) / (end - begin), 1));
    this.#lookAt(around - share * length, length);
  }

  showAll() {
    this.#lookAt(0, this.#data.frames);
  }

  showLoop() {
    if (!this.loop) return;
    const length = (this.loop.end - this.loop.begin) * 1.2;
    this.#lookAt(this.loop.begin - length / 12, length);
  }

  #lookAt(begin, length) {
    const { frames } = this.#data;
    const from = Math.max(0, Math.min(begin, frames - length));
    this.window = { begin: from, end: Math.min(from + length, frames) };
    this.draw();
  }

  // Drawing

  ink(name) {
    return getComputedStyle(this.#elements.stack).getPropertyValue(`--${name}`).trim();
  }

  draw() {
    if (!this.#width) return;
    this.#drawWave();
    for (const curve of this.curves) this.#drawCurve(curve);
    this.#describeWave();
    this.movePlayhead(this.playhead ?? 0);
  }

  #drawWave() {
    const { pen, width, height } = prepared(this.#elements.canvas);
    const axis = 22; // px for the times
    const marks = 14; // px for the sibilants
    this.#drawLoop(pen, height - axis);
    this.#drawSibilants(pen, marks, height - axis);
    this.#drawPeaks(pen, width, marks, height - axis);
    this.#drawTimes(pen, width, height - axis);
  }

  #drawLoop(pen, height) {
    if (!this.loop) return;
    const [from, to] = [this.xOf(this.loop.begin), this.xOf(this.loop.end)];
    pen.globalAlpha = this.looping ? 1 : 0.4;
    pen.fillStyle = this.ink("marker");
    pen.fillRect(from, 0, to - from, height);
    pen.globalAlpha = 1;
    pen.fillStyle = this.ink("ink");
    for (const [x, inward] of [[from, 1], [to, -1]]) {
      pen.fillRect(x - 1, 0, 2, height);
      pen.fillRect(x, 0, inward * 7, 2);
      pen.fillRect(x, height - 2, inward * 7, 2);
    }
  }

  #drawSibilants(pen, marks, height) {
    const { sibilants, rate } = this.#data;
    for (const [start, end] of sibilants) {
      const from = this.xOf(start * rate);
      const wide = Math.max(this.xOf(end * rate) - from, 1.5);
      pen.fillStyle = this.ink("sibilant");
      pen.fillRect(from, 3, wide, 6);
      pen.globalAlpha = 0.14;
      pen.fillRect(from, marks, wide, height - marks);
      pen.globalAlpha = 1;
    }
  }

  #drawPeaks(pen, width, top, bottom) {
    const { step, low, high } = this.#overview;
    const middle = (top + bottom) / 2;
    const scale = (bottom - top) / 2 / 127;
    pen.fillStyle = this.ink("wave");
    for (let x = 0; x < width; x += 1) {
      const first = Math.floor(this.frameAt(x) / step);
      const last = Math.max(Math.ceil(this.frameAt(x + 1) / step), first + 1);
      let least = 127;
      let most = -127;
      for (let each = first; each < Math.min(last, low.length); each += 1) {
        least = Math.min(least, low[each]);
        most = Math.max(most, high[each]);
      }
      if (least <= most) pen.fillRect(x, middle - most * scale, 1, Math.max((most - least) * scale, 1));
    }
  }

  #drawTimes(pen, width, top) {
    const { rate } = this.#data;
    const [begin, end] = [this.window.begin / rate, this.window.end / rate];
    const step = tickStep(end - begin, width);
    pen.fillStyle = this.ink("quiet");
    pen.fillRect(0, top, width, 1);
    pen.font = `12px ${getComputedStyle(this.#elements.stack).fontFamily}`;
    pen.textBaseline = "bottom";
    for (let tick = Math.ceil(begin / step); tick * step <= end; tick += 1) {
      const x = this.xOf(tick * step * rate);
      pen.fillRect(x, top, 1, 5);
      pen.fillText(step < 1 ? clock(tick * step) : clock(tick * step).slice(0, -2), x + 4, top + 20);
    }
  }

  // Reduction

  /** Draw the curves of one candidate: [{ stage, step, points, greatest, mean }], or none. */
  showCurves(curves) {
    this.curves = curves.map((curve) => this.#lane(curve));
    this.#elements.curves.replaceChildren(...this.curves.map((curve) => curve.row));
    this.draw();
  }

  #lane({ stage, ...curve }) {
    const row = document.createElement("div");
    const label = document.createElement("p");
    const name = document.createElement("bdi");
    const figures = document.createElement("span");
    const canvas = document.createElement("canvas");
    row.className = "reduction";
    name.textContent = stage;
    label.append(name, figures);
    canvas.setAttribute("role", "img");
    row.append(label, canvas);
    return { row, name: stage, figures, canvas, ...curve };
  }

  get #depth() {
    const most = this.#data.greatestReduction;
    return DECIBEL_STEPS.find((step) => step >= most) ?? Math.ceil(most);
  }

  #drawCurve(curve) {
    const { pen, width, height } = prepared(curve.canvas);
    const depth = this.#depth;
    const step = curve.step * this.#data.rate;
    const drop = (height - 1) / depth;
    pen.fillStyle = this.ink("hairline");
    for (const part of [1, 2, 3]) pen.fillRect(0, Math.round((part * height) / 3) - 1, width, 1);
    pen.fillStyle = this.ink("quiet");
    pen.font = `11px ${getComputedStyle(this.#elements.stack).fontFamily}`;
    pen.textAlign = "right";
    pen.fillText(`${depth} dB`, width, height - 5);
    pen.fillStyle = this.ink("reduction");
    pen.fillRect(0, 0, width, 1);
    for (let x = 0; x < width; x += 1) {
      const first = Math.floor(this.frameAt(x) / step);
      const last = Math.max(Math.ceil(this.frameAt(x + 1) / step), first + 1);
      const most = greatest(curve.points, first, last);
      if (most > 0) pen.fillRect(x, 0, 1, Math.max(most * drop, 1));
    }
    this.#describeCurve(curve, depth);
  }

  #describeCurve(curve, depth) {
    const { rate, frames } = this.#data;
    const span = this.loop ?? { begin: 0, end: frames };
    const first = Math.floor(span.begin / rate / curve.step);
    const last = Math.min(Math.ceil(span.end / rate / curve.step), curve.points.length);
    const part = curve.points.subarray(first, last);
    const most = greatest(part, 0, part.length);
    const inLoop = most > 0 ? `greatest ${most.toFixed(1)} dB in the loop` : "none in the loop";
    const text = this.loop ? inLoop : overall(curve);
    curve.figures.textContent = text;
    const at = clock((first + part.indexOf(most)) * curve.step);
    const place = most > 0 ? `, greatest at ${at}` : "";
    curve.canvas.setAttribute(
      "aria-label",
      `Reduction by ${curve.name}: ${text}${place}. The lane is ${depth} dB deep.`,
    );
  }

  /** Text in place of the waveform's picture. */
  #describeWave() {
    const { frames, rate, sibilants } = this.#data;
    const loop = this.loop
      ? ` Loop from ${clock(this.loop.begin / rate)} to ${clock(this.loop.end / rate)}.`
      : "";
    const shown = `Shown: ${clock(this.window.begin / rate)} to ${clock(this.window.end / rate)}.`;
    const text = `Waveform of ${clock(frames / rate)} with ${sibilants.length} sibilants marked.`;
    this.#elements.canvas.setAttribute("aria-label", `${text} ${shown}${loop}`);
  }

  /** Put the playhead at `frame`; turn the page when it has left what is shown. */
  movePlayhead(frame, follow = false) {
    const { begin, end } = this.window;
    this.playhead = frame;
    if (follow && !this.#drag && (frame < begin || frame >= end)) this.#lookAt(frame, end - begin);
    const x = this.xOf(frame);
    this.#elements.playhead.hidden = x < 0 || x > this.#width;
    this.#elements.playhead.style.transform = `translateX(${x}px)`;
  }

  // Pointing

  #listen(canvas) {
    canvas.addEventListener("pointerdown", (event) => this.#press(event));
    canvas.addEventListener("pointermove", (event) => this.#move(event));
    canvas.addEventListener("pointerup", (event) => this.#release(event));
    canvas.addEventListener("pointercancel", () => this.#cancel());
  }

  #press(event) {
    if (event.button !== 0) return;
    const x = event.offsetX;
    this.#elements.canvas.setPointerCapture(event.pointerId);
    this.#drag = { from: x, fixed: this.#fixedEnd(x), moved: false, before: this.loop };
  }

  /** The frame that stays when the pointer takes hold of an end of the loop; else null. */
  #fixedEnd(x) {
    if (!this.loop) return null;
    const { begin, end } = this.loop;
    if (Math.abs(x - this.xOf(end)) <= GRAB) return begin;
    return Math.abs(x - this.xOf(begin)) <= GRAB ? end : null;
  }

  #move(event) {
    const x = event.offsetX;
    if (!this.#drag) {
      this.#elements.canvas.classList.toggle("grab", this.#fixedEnd(x) !== null);
      return;
    }
    this.#drag.moved ||= Math.abs(x - this.#drag.from) > DRAG;
    if (!this.#drag.moved) return;
    this.loop = this.#between(this.#drag.fixed ?? this.frameAt(this.#drag.from), this.frameAt(x));
    this.draw();
  }

  #between(one, other) {
    const [begin, end] = [Math.min(one, other), Math.max(one, other)];
    const least = Math.min(Math.ceil(SHORTEST_LOOP * this.#data.rate), this.#data.frames);
    const from = Math.min(begin, this.#data.frames - least);
    return { begin: from, end: Math.max(end, from + least) };
  }

  #release(event) {
    const drag = this.#drag;
    this.#drag = null;
    if (drag?.moved) this.events.draw(this.loop);
    else if (drag) this.events.seek(this.frameAt(event.offsetX));
  }

  #cancel() {
    if (this.#drag) this.loop = this.#drag.before;
    this.#drag = null;
    this.draw();
  }
}

function greatest(points, first, last) {
  let most = 0;
  for (let each = first; each < Math.min(last, points.length); each += 1) {
    most = Math.max(most, points[each]);
  }
  return most;
}
