"use strict";
// The player: every lane of the view plays all the time on one clock; gains decide which is heard.
// Positions are whole frames of the files, times whole frames of the audio context.

const FADE = 0.008; // s: long enough not to click, too short to notice
const LEAD = 0.025; // s between a decision and its sound, so that the audio thread gets it in time
const HORIZON = 2.5; // s scheduled ahead; a page in the background may wake once a second only
const RESERVE = 0.2; // s of audio left at which playing waits for more

/** One unbroken run through the files: begins at a frame and a time, and fades at both ends. */
class Span {
  #player;
  #envelope;
  #gains;
  #filled;
  #sources = new Set();

  constructor(player, { view, lane, begin, at }) {
    Object.assign(this, { view, begin, at });
    this.#player = player;
    this.end = Infinity; // time at which the fade out begins
    this.sought = false; // whether the listener went there
    this.settled = 0; // time from which the lanes' gains stand still
    this.#envelope = player.gain(0, player.destination);
    this.#gains = player.lanes.map((each) => player.gain(each === lane ? 1 : 0, this.#envelope));
    this.#filled = player.lanes.map(() => begin);
    player.ramp(this.#envelope, 0, 1, at);
  }

  frameAt(time) {
    return this.begin + time - this.at;
  }

  get fadedIn() {
    return this.at + this.#player.fade;
  }

  /** Last frame that can sound, and one. */
  get limit() {
    return Math.min(this.#player.store.frames, this.frameAt(this.end + this.#player.fade));
  }

  filledTo(lane) {
    return this.#filled[lane];
  }

  /** Hand the audio context what is at hand up to `until`; a part that comes late joins at `now`. */
  fill(now, until) {
    const target = Math.min(this.limit, this.frameAt(until));
    for (const lane of this.#player.lanes) {
      while (this.#filled[lane] < target && this.#fillPart(lane, now));
    }
  }

  #fillPart(lane, now) {
    const { store } = this.#player;
    const part = store.partOf(this.#filled[lane]);
    const start = part * store.partFrames;
    const stop = Math.min(start + store.partFrames, store.frames);
    const from = Math.max(this.#filled[lane], this.frameAt(now));
    const buffer = store.get(lane, this.view, part);
    if (from < stop && !buffer) return false;
    if (from < stop) this.#schedule(lane, buffer, from - start, this.at + from - this.begin);
    this.#filled[lane] = stop;
    return true;
  }

  #schedule(lane, buffer, offset, time) {
    const { context, rate } = this.#player;
    const source = new AudioBufferSourceNode(context, { buffer });
    source.connect(this.#gains[lane]);
    source.start(time / rate, offset / rate);
    source.onended = () => this.#sources.delete(source);
    this.#sources.add(source);
  }

  /** Cross over from one lane to another: both straight, so that their sum stays whole. */
  cross(from, to, at) {
    this.#player.ramp(this.#gains[from], 1, 0, at);
    this.#player.ramp(this.#gains[to], 0, 1, at);
    this.settled = at + this.#player.fade;
  }

  endAt(time) {
    this.reopen();
    this.end = Math.max(time, this.fadedIn);
    this.#player.ramp(this.#envelope, 1, 0, this.end);
  }

  reopen() {
    if (this.end < Infinity) this.#envelope.gain.cancelScheduledValues(this.end / this.#player.rate);
    this.end = Infinity;
  }

  discard() {
    for (const source of this.#sources) source.stop();
    this.#envelope.disconnect();
  }
}

class Player {
  #spans = [];
  #rest = 0; // the frame to go on from while nothing plays

  constructor(store, lanes) {
    this.store = store;
    this.rate = store.rate;
    this.fade = Math.round(FADE * store.rate);
    this.lanes = [...Array(lanes).keys()];
    this.choice = { lane: 0, view: 0 }; // what the listener asked for
    this.heard = { lane: 0, view: 0 }; // what sounds
    this.group = null; // lanes that must all be ready, so that none gives itself away by waiting
    this.loop = null; // { begin, end } in frames
    this.playing = false;
    this.waiting = false; // playing, but the audio is not there yet
    this.waits = 0;
  }

  /** Join an audio context of the store's rate; nothing plays before. */
  attach(context, destination) {
    this.context = context;
    this.destination = destination;
  }

  gain(value, target) {
    const node = new GainNode(this.context, { gain: value });
    node.connect(target);
    return node;
  }

  ramp(node, from, to, at) {
    node.gain.setValueAtTime(from, at / this.rate);
    node.gain.linearRampToValueAtTime(to, (at + this.fade) / this.rate);
  }

  get #now() {
    return Math.round(this.context.currentTime * this.rate);
  }

  /** The earliest time at which a change can sound. */
  get #soonest() {
    return this.#now + Math.ceil((LEAD + (this.context.baseLatency ?? 0)) * this.rate);
  }

  #seconds(count) {
    return Math.round(count * this.rate);
  }

  get #sounding() {
    return this.playing && !this.waiting;
  }

  /** The span that sounds at `time`. */
  #spanAt(time) {
    return this.#spans.findLast((span) => span.at <= time) ?? this.#spans[0];
  }

  /** The frame that sounds now, or will in a moment when it was just asked for. */
  get position() {
    if (!this.#sounding) return this.#rest;
    const now = this.#now;
    const span = this.#spans.findLast((each) => each.sought && each.at > now) ?? this.#spanAt(now);
    return Math.max(span.begin, Math.min(span.frameAt(now), this.store.frames));
  }

  play() {
    if (this.playing) return;
    this.playing = true;
    this.waiting = true;
    this.pump();
  }

  pause() {
    if (this.#sounding) this.#stopAt(this.#soonest);
    this.playing = false;
    this.waiting = false;
  }

  seek(frame) {
    if (this.#sounding) this.#stopAt(this.#soonest);
    this.#rest = Math.max(0, Math.min(Math.round(frame), this.store.frames - 1));
    this.waiting = this.playing;
    this.pump();
  }

  select(lane) {
    this.choice = { ...this.choice, lane };
    this.pump();
  }

  show(view) {
    this.choice = { ...this.choice, view };
    this.pump();
  }

  /** Repeat from `begin` to `end`, or go on to the end when null. */
  repeat(loop) {
    this.loop = loop;
    const outside = loop && (this.position < loop.begin || this.position >= loop.end);
    if (outside) this.seek(loop.begin);
    else if (this.#sounding) this.#bound();
    this.pump();
  }

  /** Give the span that will sound its end under the loop as it is now, and drop those behind. */
  #bound() {
    const soonest = this.#soonest;
    this.#dropAfter(soonest);
    const span = this.#spans.at(-1);
    if (span.end > soonest) span.reopen();
    if (span.end > soonest) this.#endAtLoop(span, soonest);
  }

  #endAtLoop(span, soonest) {
    if (!this.loop || span.begin >= this.loop.end) return;
    span.endAt(Math.max(soonest, span.at + this.loop.end - span.begin));
  }

  #dropAfter(time) {
    for (const span of this.#spans) if (span.at > time) span.discard();
    this.#spans = this.#spans.filter((span) => span.at <= time);
  }

  #stopAt(time) {
    this.#rest = Math.min(this.#spanAt(time).frameAt(time), this.store.frames - 1);
    this.#dropAfter(time);
    const span = this.#spans.at(-1);
    if (span?.end > time) span.endAt(time);
  }

  #begin(frame, at) {
    const span = new Span(this, { ...this.heard, begin: frame, at });
    this.#spans.push(span);
    this.#endAtLoop(span, at);
  }

  /** Call some ten times a second: keeps the schedule filled and carries out what was asked for. */
  pump() {
    if (this.context) this.#advance(this.#soonest);
    this.store.request(this.wanted());
  }

  #advance(soonest) {
    this.#retire();
    if (this.waiting) this.#resume(soonest);
    if (this.#sounding) this.#extend(soonest);
    this.#settle(soonest);
    if (this.#sounding) this.#finish(soonest);
  }

  #retire() {
    const over = this.#now - this.fade;
    for (const span of this.#spans) if (span.end < over) span.discard();
    this.#spans = this.#spans.filter((span) => span.end >= over);
  }

  #ready(frame, seconds) {
    const { lane, view } = this.choice;
    const until = frame + this.#seconds(seconds);
    return (this.group ?? [lane]).every((each) => this.store.holds(each, view, frame, until));
  }

  #resume(soonest) {
    if (!this.#ready(this.#rest, 1)) return;
    this.waiting = false;
    this.heard = { ...this.choice };
    const fading = this.#spans.at(-1);
    this.#begin(this.#rest, Math.max(soonest, fading?.fadedIn ?? 0));
    this.#spans.at(-1).sought = true;
  }

  /** Schedule further passes of the loop, fill all spans, and wait if what is heard runs dry. */
  #extend(soonest) {
    const until = soonest + this.#seconds(HORIZON);
    while (this.loop && this.#spans.at(-1).end < until) {
      this.#begin(this.loop.begin, this.#spans.at(-1).end);
    }
    for (const span of this.#spans) span.fill(soonest, until);
    if (this.#spans.some((span) => this.#runsDry(span, soonest))) this.#wait(soonest);
  }

  #runsDry(span, soonest) {
    const due = Math.min(span.limit, span.frameAt(soonest + this.#seconds(RESERVE)));
    return (this.group ?? [this.heard.lane]).some((lane) => span.filledTo(lane) < due);
  }

  #wait(soonest) {
    this.#stopAt(soonest);
    this.waiting = true;
    this.waits += 1;
  }

  /** Change over to what the listener asked for as soon as it is there. */
  #settle(soonest) {
    const { lane, view } = this.choice;
    if (lane === this.heard.lane && view === this.heard.view) return;
    if (!this.#sounding) this.heard = { lane, view };
    else if (this.#ready(this.#spanAt(soonest).frameAt(soonest), 2 * RESERVE)) {
      if (view === this.heard.view) this.#cross(lane, soonest);
      else this.#change(soonest);
    }
  }

  #cross(lane, soonest) {
    const until = soonest + this.#seconds(HORIZON);
    const at = Math.max(soonest, ...this.#spans.map((span) => span.settled));
    for (const span of this.#spans) {
      span.fill(soonest, until);
      span.cross(this.heard.lane, lane, at);
    }
    this.heard = { ...this.heard, lane };
  }

  #change(soonest) {
    const span = this.#spanAt(soonest);
    const at = Math.max(soonest, span.fadedIn);
    const frame = span.frameAt(at);
    this.#stopAt(at);
    this.heard = { ...this.choice };
    this.#begin(frame, at);
    this.#extend(soonest);
  }

  #finish(soonest) {
    if (this.#spanAt(soonest).frameAt(this.#now) < this.store.frames) return;
    this.playing = false;
    this.#rest = this.loop?.begin ?? 0;
  }

  /** Parts in the order in which they are wanted: [lane, view, part], the next to sound first. */
  *wanted() {
    const { lane, view } = this.choice;
    const views = this.store.channels.map((_, each) => each);
    const others = views.filter((each) => each !== view);
    const lanes = this.group ?? [lane, ...this.lanes.filter((each) => each !== lane)];
    const parts = this.#partsAhead();
    yield* Player.#each(lanes, [view], parts.slice(0, 2));
    yield* Player.#each(lanes, others, parts.slice(0, 1));
    yield* Player.#each(lanes, [view], parts.slice(2));
    yield* Player.#each(lanes, others, parts.slice(1));
  }

  static *#each(lanes, views, parts) {
    for (const part of parts) {
      for (const view of views) for (const lane of lanes) yield [lane, view, part];
    }
  }

  /** Parts from the position on in the order of playing: to the loop's end, round, then the rest. */
  #partsAhead() {
    const { store } = this;
    const all = [...Array(store.partOf(store.frames - 1) + 1).keys()];
    const now = store.partOf(Math.min(this.position, store.frames - 1));
    const { begin, end } = this.loop ?? { begin: 0, end: store.frames };
    const inLoop = (part) => part >= store.partOf(begin) && part <= store.partOf(end - 1);
    const ahead = all.filter((part) => part >= now && (inLoop(part) || part === now));
    return [...new Set([...ahead, ...all.filter(inLoop), ...all])];
  }
}
