import { contextFrameOf, fadeFrames, piecesBetween, segmentAt, segmentStart } from "../listening/timeline.js";

/**
 * Plays all stems of a pack at once, locked to the sample: the pieces of a segment start at one frame of the context.
 *
 * A segment is scheduled when every stem's part of it is decoded, never some of them before the others; where one is
 * late, all wait. A stem that ends before the others is silent from there.
 */

const TICK_MS = 100;

/** How far ahead sound is scheduled. Longer than the one second to which a hidden tab's timers are slowed. */
const HORIZON_S = 2.5;

/** A start out of silence is in no hurry, and a browser that plays its first sound may be slow to schedule it. */
const START_FRAMES = 4096;

/** Segments fetched ahead of the one that is to be scheduled. */
const AHEAD = 1;

/** Fires `state` when it changes: `stopped`, `waiting` (for sound to arrive), `playing`. */
export class SumPlayer extends EventTarget {
  #context;
  #store;
  #grid;
  #counts;
  #keys;
  #fade;
  #level;
  #stems = new Map(); // key -> GainNode, at the level of the set or at nought
  #gains;
  #state = "stopped";
  #frame = 0; // the playhead while nothing plays
  #run = null; // { contextFrame, setFrame, scheduledTo, gain, sources }
  #loading = null; // the segment that is being decoded
  #timer = null;

  /**
   * @param {object} parts
   * @param {BaseAudioContext} parts.context
   * @param {object} parts.store of `storeFor`: gives the decoded sound of a stem's segment.
   * @param {object} parts.grid of `gridOf`, at the context's rate.
   * @param {Map<string, number>} parts.gains what each stem is multiplied by while it is heard.
   * @param {Map<string, number>} parts.counts how many segments each stem has.
   */
  constructor({ context, store, grid, gains, counts }) {
    super();
    this.#context = context;
    this.#store = store;
    this.#grid = grid;
    this.#gains = gains;
    this.#counts = counts;
    this.#keys = [...gains.keys()];
    this.#fade = fadeFrames(grid.rateHz) / grid.rateHz;
    this.#level = context.createGain();
    this.#level.connect(context.destination);
    for (const [key, gain] of gains) {
      const node = context.createGain();
      node.gain.value = gain;
      node.connect(this.#level);
      this.#stems.set(key, node);
    }
  }

  get state() {
    return this.#state;
  }

  /** Where everything sounds together: to listen in on. */
  get output() {
    return this.#level;
  }

  /** The playhead in seconds. */
  get seconds() {
    return this.#now() / this.#grid.rateHz;
  }

  /** Hear these stems and no others, from now on. */
  hear(keys) {
    for (const [key, node] of this.#stems) {
      ramp(node.gain, keys.has(key) ? this.#gains.get(key) : 0, this.#context.currentTime, this.#fade);
    }
  }

  /** The level of everything together, linear. */
  setLevel(level) {
    ramp(this.#level.gain, level, this.#context.currentTime, this.#fade);
  }

  /** Play from the playhead; from the start if it stands at the end. */
  play() {
    if (this.#state !== "stopped") {
      return;
    }
    this.#context.resume();
    if (this.#frame >= this.#grid.frames) {
      this.#frame = 0;
    }
    this.#enter("waiting");
    this.#timer = setInterval(() => this.#tick(), TICK_MS);
    this.#tick();
  }

  /** Stop, keeping the playhead where it is. */
  stop() {
    if (this.#state === "stopped") {
      return;
    }
    this.#frame = this.#now();
    this.#silence();
    clearInterval(this.#timer);
    this.#enter("stopped");
  }

  /** Go to a place in seconds. */
  seek(seconds) {
    this.#frame = Math.min(this.#grid.frames, Math.max(0, Math.round(seconds * this.#grid.rateHz)));
    if (this.#state !== "stopped") {
      this.#silence();
      this.#enter("waiting");
      this.#tick();
    }
  }

  #contextFrame() {
    return Math.round(this.#context.currentTime * this.#grid.rateHz);
  }

  #now() {
    if (this.#run === null) {
      return this.#frame;
    }
    const { contextFrame, setFrame } = this.#run;
    const played = Math.max(0, this.#contextFrame() - contextFrame);
    return Math.min(this.#grid.frames, setFrame + played);
  }

  #enter(state) {
    if (state !== this.#state) {
      this.#state = state;
      this.dispatchEvent(new CustomEvent("state", { detail: { state } }));
    }
  }

  #tick() {
    if (this.#state === "stopped") {
      return;
    }
    const next = this.#run?.scheduledTo ?? this.#frame;
    if (this.#run !== null && this.#run.scheduledTo >= this.#grid.frames) {
      if (this.#now() >= this.#grid.frames) {
        this.stop();
      }
      return;
    }
    if (this.#run !== null && this.#now() >= next) {
      // What was scheduled has been played and the next part has not come: all wait for it.
      this.#frame = next;
      this.#silence();
      this.#enter("waiting");
    }
    const horizon = this.#now() + HORIZON_S * this.#grid.rateHz;
    if (next < horizon) {
      this.#load(segmentAt(this.#grid, next));
    }
  }

  #keysOf(segment) {
    return this.#keys.filter((key) => segment < this.#counts.get(key));
  }

  /** Have a segment of every stem decoded, then schedule it. One segment at a time. */
  async #load(segment) {
    if (this.#loading !== null) {
      return;
    }
    this.#loading = segment;
    const coming = Array.from({ length: AHEAD + 1 }, (_, step) => segment + step).filter((each) => each < this.#grid.count);
    this.#store.want(coming.flatMap((each) => this.#keysOf(each).map((key) => ({ key, segment: each }))));
    try {
      const keys = this.#keysOf(segment);
      const sounds = await Promise.all(keys.map((key) => this.#store.load(key, segment)));
      this.#schedule(segment, keys, sounds);
    } catch {
      // The store has told its own trouble; the next tick asks again.
    } finally {
      this.#loading = null;
    }
    if (this.#state !== "stopped" && this.#run !== null) {
      this.#tick();
    }
  }

  #schedule(segment, keys, sounds) {
    const from = this.#run?.scheduledTo ?? this.#frame;
    if (this.#state === "stopped" || segmentAt(this.#grid, from) !== segment) {
      return; // stopped or gone elsewhere meanwhile
    }
    this.#run ??= this.#begin(from);
    const run = this.#run;
    const end = segmentStart(this.#grid, segment + 1);
    const [piece] = piecesBetween(this.#grid, from, end);
    const at = contextFrameOf(run, piece.setFrame) / this.#grid.rateHz;
    for (const [index, sound] of sounds.entries()) {
      if (piece.offset >= sound.length) {
        continue; // this stem ends before the place
      }
      const source = this.#context.createBufferSource();
      source.buffer = sound;
      source.connect(run.gains.get(keys[index]));
      source.start(at, piece.offset / this.#grid.rateHz);
      run.sources.add(source);
      source.onended = () => {
        source.disconnect();
        run.sources.delete(source);
      };
    }
    run.scheduledTo = end;
    this.#enter("playing");
  }

  /** A run has a gain of its own for each stem, so that it can be faded out whole while another one begins. */
  #begin(setFrame) {
    const contextFrame = this.#contextFrame() + START_FRAMES;
    const start = contextFrame / this.#grid.rateHz;
    const gains = new Map();
    for (const [key, stem] of this.#stems) {
      const node = this.#context.createGain();
      if (setFrame > 0) {
        // The very first sample of the music is not faded: its attack belongs to it.
        node.gain.setValueAtTime(0, start);
        node.gain.linearRampToValueAtTime(1, start + this.#fade);
      }
      node.connect(stem);
      gains.set(key, node);
    }
    return { contextFrame, setFrame, scheduledTo: setFrame, gains, sources: new Set() };
  }

  #silence() {
    const run = this.#run;
    this.#run = null;
    if (run === null) {
      return;
    }
    const now = this.#context.currentTime;
    for (const node of run.gains.values()) {
      ramp(node.gain, 0, now, this.#fade);
    }
    for (const source of run.sources) {
      source.stop(now + this.#fade);
    }
  }
}

/** Move a parameter to a value within a fade, from whatever it is. */
function ramp(parameter, value, now, fade) {
  parameter.cancelScheduledValues(now);
  parameter.setValueAtTime(parameter.value, now);
  parameter.linearRampToValueAtTime(value, now + fade);
}
