import { Run } from "../listening/run.js";
import {
  COVER_S,
  MARGIN_FRAMES,
  QUANTUM_FRAMES,
  SPARE_FRAMES,
  contextFrameOf,
  fadeFrames,
  frameAt,
  piecesBetween,
  segmentAt,
  segmentStart,
} from "../listening/timeline.js";

/**
 * Plays all stems of a pack at once, locked to the sample: the pieces of a segment start at one frame of the context.
 *
 * A segment is scheduled when every stem's part of it is decoded, never some of them before the others; where one is
 * late, all wait. A stem that ends before the others is silent from there. Where the machine was too busy to have every
 * stem in place in time, all begin anew from the place where they should be, a moment later.
 */

const TICK_MS = 100;

/** How far ahead sound is scheduled. Longer than the one second to which a hidden tab's timers are slowed. */
const HORIZON_S = 2.5;

/** A start out of silence is in no hurry, and a browser that plays its first sound may be slow to schedule it. */
const START_FRAMES = 4096;

/** The longest lead that a start is given on a busy machine before it waits for the next tick; 0.7 s at 48 kHz. */
const LONGEST_LEAD_FRAMES = 32768;

/** A segment not scheduled this long before its turn is late: time for two ticks and a fade. */
const LATE_S = 0.25;

/** Time constants in a fade: at its end a gain that is moved lacks a twentieth of the way, e to the power of minus 3. */
const CONSTANTS_A_FADE = 3;

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
  #run = null; // { contextFrame, setFrame, scheduledTo, stems: Map of key to Run }
  #leaving = []; // Runs that are being faded out
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
    this.#fade = fadeFrames(grid.rateHz);
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
      this.#glide(node.gain, keys.has(key) ? this.#gains.get(key) : 0);
    }
  }

  /** The level of everything together, linear. */
  setLevel(level) {
    this.#glide(this.#level.gain, level);
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
    this.#silence();
    clearInterval(this.#timer);
    this.#enter("stopped");
  }

  /** Go to a place in seconds. */
  seek(seconds) {
    if (this.#state !== "stopped") {
      this.#silence();
    }
    this.#frame = Math.min(this.#grid.frames, Math.max(0, Math.round(seconds * this.#grid.rateHz)));
    if (this.#state !== "stopped") {
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
    this.#sweep();
    const run = this.#run;
    if (run !== null && run.scheduledTo >= this.#grid.frames) {
      if (this.#now() >= this.#grid.frames) {
        this.stop();
      }
      return;
    }
    if (run !== null && this.#left(run) <= LATE_S * this.#grid.rateHz) {
      // The next part has not come, and all wait for it: fade out on the last of what there is.
      this.#silence(contextFrameOf(run, run.scheduledTo) - this.#fade);
      this.#frame = run.scheduledTo;
      this.#enter("waiting");
    }
    const next = this.#run?.scheduledTo ?? this.#frame;
    const horizon = this.#now() + HORIZON_S * this.#grid.rateHz;
    if (next < horizon) {
      this.#load(segmentAt(this.#grid, next));
    }
  }

  /** How many frames of a run are scheduled and still to be heard. */
  #left(run) {
    return contextFrameOf(run, run.scheduledTo) - this.#contextFrame();
  }

  #keysOf(segment) {
    return this.#keys.filter((key) => segment < this.#counts.get(key));
  }

  /** Have a segment of every stem decoded, then schedule it. One at a time, but two where little is left of the first. */
  async #load(segment) {
    if (this.#loading !== null) {
      return;
    }
    this.#loading = segment;
    const coming = Array.from({ length: AHEAD + 1 }, (_, step) => segment + step).filter((each) => each < this.#grid.count);
    this.#store.want(coming.flatMap((each) => this.#keysOf(each).map((key) => ({ key, segment: each }))));
    const left = segmentStart(this.#grid, segment + 1) - this.#frame;
    const isShort = this.#run === null && left < COVER_S * this.#grid.rateHz;
    try {
      const needed = coming.slice(0, isShort ? 2 : 1);
      const sounds = await Promise.all(needed.map((each) => this.#soundsOf(each)));
      needed.forEach((each, step) => this.#schedule(each, sounds[step]));
    } catch {
      // The store has told its own trouble; the next tick asks again.
    } finally {
      this.#loading = null;
    }
    if (this.#state !== "stopped" && this.#run !== null) {
      this.#tick();
    }
  }

  /** The decoded sound of a segment of each stem that has it, by the stem's key. */
  async #soundsOf(segment) {
    const keys = this.#keysOf(segment);
    const sounds = await Promise.all(keys.map((key) => this.#store.load(key, segment)));
    return new Map(keys.map((key, index) => [key, sounds[index]]));
  }

  #schedule(segment, sounds) {
    const from = this.#run?.scheduledTo ?? this.#frame;
    if (this.#state === "stopped" || segmentAt(this.#grid, from) !== segment) {
      return; // stopped or gone elsewhere meanwhile
    }
    const [piece] = piecesBetween(this.#grid, from, segmentStart(this.#grid, segment + 1));
    if (this.#run === null) {
      this.#begin(piece, sounds);
    } else if (this.#left(this.#run) > SPARE_FRAMES) {
      const run = this.#run;
      this.#add(run, piece, sounds);
      if (this.#contextFrame() > contextFrameOf(run, from) - QUANTUM_FRAMES) {
        // The audio thread may have gone past the join with some stems in place and others not.
        this.#silence();
        this.#enter("waiting");
      }
    }
  }

  /** Have all stems begin together; if they are not all in place with time to spare, let go of them and try again. */
  #begin(piece, sounds) {
    for (let lead = START_FRAMES; lead <= LONGEST_LEAD_FRAMES; lead *= 2) {
      const { setFrame } = piece;
      const contextFrame = this.#contextFrame() + lead;
      const run = { contextFrame, setFrame, scheduledTo: setFrame, stems: new Map() };
      for (const [key, output] of this.#stems) {
        const { rateHz } = this.#grid;
        run.stems.set(key, new Run({ context: this.#context, output, rateHz, key, contextFrame, setFrame }));
      }
      this.#add(run, piece, sounds);
      if (this.#contextFrame() <= contextFrame - SPARE_FRAMES) {
        // The very first sample of the music is not faded: its attack belongs to it.
        run.stems.forEach((stem) => stem.rise(setFrame > 0 ? this.#fade : 0));
        this.#run = run;
        this.#enter("playing");
        return;
      }
      run.stems.forEach((stem) => stem.close());
    }
  }

  #add(run, piece, sounds) {
    for (const [key, sound] of sounds) {
      if (piece.offset >= sound.length) {
        continue; // this stem ends before the place
      }
      run.stems.get(key).add(sound, piece);
    }
    run.scheduledTo = piece.setFrame + piece.frames;
  }

  /** Fade out what sounds, from a context frame on or soon, and leave the playhead where the fade begins. */
  #silence(at = 0) {
    const run = this.#run;
    this.#run = null;
    if (run === null) {
      return;
    }
    const begins = Math.max(at, this.#contextFrame() + MARGIN_FRAMES);
    this.#frame = Math.min(run.scheduledTo, Math.max(run.setFrame, frameAt(run, begins)));
    run.stems.forEach((stem) => stem.fall(begins, this.#fade));
    this.#leaving.push(...run.stems.values());
  }

  /** Let go of what has been faded out. */
  #sweep() {
    const now = this.#contextFrame();
    this.#leaving.filter(({ endsAt }) => endsAt <= now).forEach((stem) => stem.close());
    this.#leaving = this.#leaving.filter(({ endsAt }) => endsAt > now);
  }

  /** Move a gain to a value from wherever it is: it cannot jump, however late the audio thread hears of it. */
  #glide(parameter, value) {
    const constant_s = this.#fade / this.#grid.rateHz / CONSTANTS_A_FADE;
    parameter.setTargetAtTime(value, this.#context.currentTime, constant_s);
  }
}
