"use strict";
// The store: brings parts of audio in by adding script elements, decodes them off the main thread,
// and keeps no more of them than memory allows.

const PARTS_AT_ONCE = 3;

const bytesOf = Uint8Array.fromBase64
  ? (text) => Uint8Array.fromBase64(text)
  : (text) => Uint8Array.from(atob(text), (letter) => letter.charCodeAt(0));

class AudioStore {
  #parts = new Map(); // name → { state: "loading" | "ready" | "failed", buffer, bytes }
  #arrivals = new Map(); // name → what to do with its text
  #decoder;
  #loading = 0;
  #plan = [];

  /**
   * rate (Hz), frames, partFrames: of every lane. channels: of each view. memory: bytes of decoded
   * audio to keep. add(name, failed): adds the script of a part. changed(): a part came or failed.
   */
  constructor({ rate, frames, partFrames, channels, memory, add, changed }) {
    Object.assign(this, { rate, frames, partFrames, channels, memory, add, changed });
    this.#decoder = new OfflineAudioContext(1, 1, rate); // decodes at the files' own rate
    this.failed = [];
    this.order = []; // names in the order in which they became ready
  }

  get(lane, view, part) {
    return this.#parts.get(`${lane}-${view}-${part}`)?.buffer;
  }

  /** Whether `lane` can play from frame `from` up to `to`. */
  holds(lane, view, from, to) {
    const last = Math.min(to, this.frames) - 1;
    for (let part = this.partOf(from); part <= this.partOf(last); part += 1) {
      if (!this.get(lane, view, part)) return false;
    }
    return true;
  }

  partOf(frame) {
    return Math.floor(frame / this.partFrames);
  }

  get heldBytes() {
    let sum = 0;
    for (const part of this.#parts.values()) sum += part.bytes;
    return sum;
  }

  /** Ask for parts, dearest first; what does not fit in memory behind them is let go. */
  request(wanted) {
    this.#plan = this.#affordable(wanted);
    this.#letGo();
    this.#loadNext();
  }

  #affordable(wanted) {
    const plan = [];
    let bytes = 0;
    for (const [lane, view, part] of wanted) {
      bytes += this.#bytes(view);
      if (bytes > this.memory && plan.length) break;
      plan.push({ name: `${lane}-${view}-${part}`, bytes: this.#bytes(view) });
    }
    return plan;
  }

  #bytes(view) {
    return this.partFrames * this.channels[view] * Float32Array.BYTES_PER_ELEMENT;
  }

  #letGo() {
    let held = this.heldBytes;
    if (held <= this.memory) return;
    const wanted = new Set(this.#plan.map((part) => part.name));
    for (const [name, part] of this.#parts) {
      if (held <= this.memory) return;
      if (part.state !== "ready" || wanted.has(name)) continue;
      this.#parts.delete(name);
      held -= part.bytes;
    }
  }

  #loadNext() {
    for (const { name, bytes } of this.#plan) {
      if (this.#loading >= PARTS_AT_ONCE) return;
      if (!this.#parts.has(name)) this.#load(name, bytes);
    }
  }

  #load(name, bytes) {
    const part = { state: "loading", buffer: undefined, bytes };
    this.#parts.set(name, part);
    this.#loading += 1;
    new Promise((arrived, failed) => {
      this.#arrivals.set(name, arrived);
      this.add(name, failed);
    })
      .then((text) => this.#decoder.decodeAudioData(bytesOf(text).buffer))
      .then(
        (buffer) => {
          Object.assign(part, { state: "ready", buffer });
          this.order.push(name);
        },
        () => {
          Object.assign(part, { state: "failed", bytes: 0 });
          this.failed.push(name);
        },
      )
      .then(() => {
        this.#arrivals.delete(name);
        this.#loading -= 1;
        this.changed();
        this.#loadNext();
      });
  }

  /** The script of a part hands over its text. */
  receive(name, text) {
    this.#arrivals.get(name)?.(text);
  }
}
