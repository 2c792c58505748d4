import { Run } from "./run.js";
import {
  COVER_S,
  HORIZON_S,
  MARGIN_FRAMES,
  QUANTUM_FRAMES,
  SPARE_FRAMES,
  clearFrame,
  contextFrameOf,
  fadeFrames,
  frameAt,
  piecesBetween,
  runAt,
  segmentAt,
  turnOf,
  wantedSegments,
} from "./timeline.js";

/**
 * Plays one copy of a set at a time and changes over between copies at one shared playhead.
 *
 * Everything that interrupts a run (another copy, another place, the turn of a loop) is the same act:
 * at one context frame the old run is faded out and a new one faded in, linearly. The old run plays on
 * until the new one is decoded, so a slow line delays a change-over and never makes a hole. It also plays on until
 * the new one is in place, unheard, with time to spare, so a busy machine delays a change-over and never makes a click:
 * the clock runs on in the audio thread while the page computes, and a source begun late is out of place.
 */

const TICK_MS = 40;

/** A segment not decoded this long before its turn is late: time for two ticks and a fade. */
const LATE_S = 0.1;

const RECENT_KEPT = 8;

/** A start out of silence is in no hurry, and a browser that plays its first sound may be slow to schedule it. */
const START_FRAMES = 4096;

/** The longest lead that a change-over is given on a busy machine before it waits for the next tick; 0.3 s at 48 kHz. */
const LONGEST_LEAD_FRAMES = 16384;

/**
 * Fires
 * `copy` `{ key, contextFrame }` another copy is chosen, and heard from that context frame (null while stopped);
 * `state` `{ state }` one of `stopped`, `waiting` (for sound to arrive), `playing`;
 * `wish` `{ key }` a change-over waits for sound (`key` is the copy it goes to; null when none waits any more);
 * `run` `{ key, contextFrame, setFrame, fade }` a run was scheduled, in place of those that begin later; `key` null
 *   is silence, and `fade` is in frames (0 begins at full);
 * `late` `{ contextFrame, rightFrom }` what was due at that frame came later, for the machine was busy: a fade, and all
 *   is right from context frame `rightFrom` on; or (null) a piece of a run, which is put right by the next run;
 * `heard` `{ key, seconds, from, to }` all seconds listened to that copy so far, and the set frames that were just heard.
 */
export class Player extends EventTarget {
  #context;
  #output;
  #grid;
  #keys;
  #few = []; // the copies that are compared; empty: all
  #store;
  #fade;
  #runs = [];
  #key;
  #frame = 0; // the playhead while nothing plays
  #loop = null;
  #state = "stopped";
  #wish = null; // { key, setFrame } ; setFrame null means: wherever the playhead then is
  #told = null; // the key of the last `wish` event
  #recent = [];
  #heard = new Map(); // key -> frames
  #begins = 0; // context frame before which the sound that began last must not be interrupted
  #landing = { contextFrame: 0, setFrame: 0 }; // where the change-over wished last comes down
  #countedTo = 0;
  #timer = null;

  /**
   * @param {object} parts
   * @param {BaseAudioContext} parts.context
   * @param {AudioNode} parts.output
   * @param {object} parts.grid of `gridOf`, at the context's rate.
   * @param {string[]} parts.keys the copies, in the order of the page.
   * @param {object} parts.store a SegmentStore.
   */
  constructor({ context, output, grid, keys, store }) {
    super();
    this.#context = context;
    this.#output = output;
    this.#grid = grid;
    this.#keys = keys;
    this.#store = store;
    this.#fade = fadeFrames(grid.rateHz);
    this.#key = keys[0];
  }

  /** `stopped`, `waiting` or `playing`. */
  get state() {
    return this.#state;
  }

  /** The copy that is chosen, and heard while playing. */
  get key() {
    return this.#key;
  }

  get loop() {
    return this.#loop;
  }

  /** The playhead in set frames: where a seek under way is going, or what sounds now. */
  get frame() {
    if (this.#wish?.setFrame != null) {
      return this.#wish.setFrame;
    }
    if (this.#state !== "playing") {
      return this.#frame;
    }
    const now = this.#now();
    const { contextFrame, setFrame } = this.#landing;
    return now < contextFrame ? setFrame : Math.min(this.#grid.frames, frameAt(runAt(this.#runs, now), now));
  }

  /** Fetch what would be needed first, without playing. */
  prepare() {
    this.#askFor();
  }

  /** Play from the playhead; from the start if it stands at the end. */
  play() {
    if (this.#state !== "stopped") {
      return;
    }
    const from = this.#frame >= this.#grid.frames ? (this.#loop?.start ?? 0) : this.#frame;
    this.#wish = { key: this.#key, setFrame: from };
    this.#countedTo = Math.max(this.#countedTo, this.#now());
    this.#enter("waiting");
    this.#timer = setInterval(() => this.#tick(), TICK_MS);
    this.#tick();
  }

  /** Stop, keeping the playhead where it is. */
  pause() {
    if (this.#state === "stopped") {
      return;
    }
    const frame = this.frame;
    const at = this.#clearFrame();
    const run = this.#state === "playing" ? runAt(this.#runs, at) : null;
    this.#fallSilent(at);
    this.#rest(run !== null && this.#wish?.setFrame == null ? frameAt(run, at) : frame, at + this.#fade);
  }

  /** Keep only these copies ready for a switch, for they are compared; with none, all. Others can still be chosen. */
  set few(keys) {
    this.#few = this.#keys.filter((key) => keys.includes(key));
    this.#askFor();
  }

  /** Go to another copy at the same place. Unknown keys are ignored. */
  choose(key) {
    if (!this.#keys.includes(key)) {
      return;
    }
    if (this.#state === "playing") {
      const setFrame = this.#wish?.setFrame ?? null;
      this.#wish = key === this.#key && setFrame === null ? null : { key, setFrame };
      this.#tick();
      return;
    }
    if (this.#wish !== null) {
      this.#wish.key = key;
    }
    this.#become(key, null);
    this.#askFor();
    if (this.#state === "waiting") {
      this.#tick();
    }
  }

  /** Go to a set frame; kept inside the set. */
  seek(frame) {
    const setFrame = Math.min(this.#grid.frames, Math.max(0, Math.round(frame)));
    if (this.#state === "stopped") {
      this.#frame = setFrame;
      this.#askFor();
      return;
    }
    this.#wish = { key: this.#wish?.key ?? this.#key, setFrame };
    this.#tick();
  }

  /** Repeat a stretch `{ start, end }` of `loopOf`, or null for none. A playhead outside it goes to its start. */
  setLoop(loop) {
    this.#loop = loop;
    const frame = this.frame;
    if (loop !== null && (frame < loop.start || frame >= loop.end)) {
      this.seek(loop.start);
    } else if (this.#state === "playing" && this.#runs.some((run) => run.contextFrame > this.#now())) {
      // A turn of the old loop is scheduled already: change over to the same copy, which drops it.
      this.#wish ??= { key: this.#key, setFrame: null };
      this.#tick();
    }
  }

  /** Stop and let go of everything. */
  close() {
    this.pause();
    this.#store.close();
  }

  #now() {
    return Math.round(this.#context.currentTime * this.#grid.rateHz);
  }

  /** The first context frame, `earliest` or later and `lead` from now, at which a change-over meets no other. */
  #clearFrame({ earliest = 0, lead = MARGIN_FRAMES } = {}) {
    const starts = this.#runs.flatMap(({ contextFrame, endsAt }) => [contextFrame, endsAt - this.#fade]);
    const soonest = Math.max(earliest, this.#now() + lead, this.#begins);
    return clearFrame(soonest, starts.filter(Number.isFinite), this.#fade);
  }

  #enter(state) {
    if (state !== this.#state) {
      this.#state = state;
      this.dispatchEvent(new CustomEvent("state", { detail: { state } }));
    }
  }

  #become(key, contextFrame) {
    if (key !== this.#key) {
      this.#recent = [this.#key, ...this.#recent.filter((recent) => recent !== this.#key)].slice(0, RECENT_KEPT);
      this.#key = key;
      this.dispatchEvent(new CustomEvent("copy", { detail: { key, contextFrame } }));
    }
  }

  /** Nothing plays from context frame `until` on; the playhead waits at `frame`. */
  #rest(frame, until = this.#now()) {
    clearInterval(this.#timer);
    this.#count(until);
    this.#frame = Math.min(this.#grid.frames, Math.max(0, frame));
    this.#wish = null;
    this.#tellWish();
    this.#enter("stopped");
  }

  #tick() {
    if (this.#state === "stopped") {
      return;
    }
    this.#count();
    this.#askFor();
    this.#grantWish();
    if (this.#state === "playing") {
      this.#turnLoop();
      this.#runs.forEach((run) => this.#extend(run));
      this.#noticeEnd();
    }
    this.#tellWish();
  }

  #askFor() {
    this.#store.want(
      wantedSegments({
        grid: this.#grid,
        keys: this.#few.length > 0 ? this.#few : this.#keys,
        heard: this.#key,
        wished: this.#wish?.key ?? null,
        recent: this.#recent,
        frame: Math.min(this.frame, this.#grid.frames - 1),
        sounds: this.#soundingFrame(),
        loop: this.#loop,
      }),
    );
  }

  /** The set frame that sounds now, whatever is wished; null while nothing does. */
  #soundingFrame() {
    if (this.#state !== "playing") {
      return null;
    }
    const now = Math.max(this.#now(), this.#runs[0].contextFrame);
    return Math.min(this.#grid.frames - 1, frameAt(runAt(this.#runs, now), now));
  }

  /** Whether a stretch of a copy is decoded; asks for what is not. */
  #covers(key, from, frames) {
    const missing = piecesBetween(this.#grid, from, from + frames).filter(
      ({ segment }) => this.#store.decoded(key, segment) === null,
    );
    missing.forEach(({ segment }) => this.#load(key, segment));
    return missing.length === 0;
  }

  #load(key, segment) {
    // A failure is told by the store's own event; the next tick asks again.
    this.#store.load(key, segment).then(
      () => this.#tick(),
      () => {},
    );
  }

  #coverFrames() {
    return Math.round(COVER_S * this.#grid.rateHz);
  }

  #grantWish() {
    let lead = this.#state === "playing" ? MARGIN_FRAMES : START_FRAMES;
    while (this.#wish !== null && lead <= LONGEST_LEAD_FRAMES && this.#tryWish(lead)) {
      lead *= 2;
    }
  }

  /** Grant the wish if its sound is there. True if it came too late and is to be tried again with a longer lead. */
  #tryWish(lead) {
    const { key, setFrame } = this.#wish;
    const playing = this.#state === "playing";
    const at = this.#clearFrame({ lead });
    const running = playing ? runAt(this.#runs, at) : null;
    const from = setFrame ?? frameAt(running, at);
    if (!this.#covers(key, from, this.#coverFrames())) {
      return false;
    }
    if (!this.#changeOver(at, key, from)) {
      return true;
    }
    this.#wish = null;
    this.#landing = { contextFrame: at, setFrame: from };
    if (!playing) {
      this.#begins = at + this.#fade;
    }
    this.#enter("playing");
    this.#become(key, at);
    return false;
  }

  /**
   * At a context frame, the old run out and a new one in. False, and nothing changes, if the frame is too near by the
   * time the new one is in place.
   */
  #changeOver(at, key, setFrame) {
    const run = new Run({
      context: this.#context,
      output: this.#output,
      rateHz: this.#grid.rateHz,
      key,
      contextFrame: at,
      setFrame,
    });
    this.#extend(run);
    if (this.#isNear(at)) {
      run.close();
      return false;
    }
    const interrupts = runAt(this.#runs, at)?.endsAt > at;
    // The very first sample of the music is not faded: nothing sounded before it, and its attack belongs to it.
    const fade = interrupts || setFrame > 0 ? this.#fade : 0;
    this.#endRunsAt(at);
    run.rise(fade);
    this.#runs.push(run);
    this.#tellRun(key, at, setFrame, fade);
    this.#noticeLateFade(at);
    return true;
  }

  #fallSilent(at) {
    const run = runAt(this.#runs, at);
    if (run?.endsAt > at) {
      this.#endRunsAt(at);
      this.#tellRun(null, at, frameAt(run, at), this.#fade);
      this.#noticeLateFade(at);
    }
  }

  /** Whether a context frame is too near to have anything begin there that has yet to be prepared. */
  #isNear(contextFrame) {
    return this.#now() > contextFrame - SPARE_FRAMES;
  }

  /** Whether the audio thread may have taken up the quantum of a context frame before it knew what was due there. */
  #isMissed(contextFrame) {
    // The clock tells the beginning of the quantum that is being rendered, or is the next to be.
    return this.#now() > contextFrame - QUANTUM_FRAMES;
  }

  #noticeLateFade(at) {
    if (this.#isMissed(at)) {
      this.#tellLate(at, this.#now() + QUANTUM_FRAMES + this.#fade);
    }
  }

  #tellLate(contextFrame, rightFrom) {
    this.dispatchEvent(new CustomEvent("late", { detail: { contextFrame, rightFrom } }));
  }

  #tellRun(key, contextFrame, setFrame, fade) {
    this.dispatchEvent(new CustomEvent("run", { detail: { key, contextFrame, setFrame, fade } }));
  }

  /** Fade out at a context frame whatever sounds there, and drop what would begin later. */
  #endRunsAt(at) {
    for (const run of this.#runs.filter(({ contextFrame }) => contextFrame > at)) {
      run.endsAt = run.contextFrame;
      run.close();
    }
    this.#runs = this.#runs.filter((run) => run.contextFrame <= at);
    const run = runAt(this.#runs, at);
    if (run?.endsAt > at) {
      run.fall(at, this.#fade);
    }
  }

  /** Schedule the pieces of a run up to the horizon, as far as they are decoded and come in time. */
  #extend(run) {
    const horizon = this.#now() + Math.round(HORIZON_S * this.#grid.rateHz);
    const until = Math.min(horizon, run.endsAt);
    while (contextFrameOf(run, run.scheduledTo) < until && run.scheduledTo < this.#grid.frames) {
      const segment = segmentAt(this.#grid, run.scheduledTo);
      const sound = this.#store.decoded(run.key, segment);
      if (sound === null) {
        this.#load(run.key, segment);
        return;
      }
      const due = contextFrameOf(run, run.scheduledTo);
      if (this.#isNear(due)) {
        return;
      }
      const [piece] = piecesBetween(this.#grid, run.scheduledTo, this.#grid.frames);
      run.add(sound, piece);
      if (this.#isMissed(due) && run === this.#runs.at(-1)) {
        // Changing over once more, to the same copy at the place where it ought to be, puts that right.
        this.#wish ??= { key: run.key, setFrame: null };
        this.#tellLate(due, null);
      }
    }
  }

  /** Schedule the turn of the loop once it comes within the horizon and its start is decoded. */
  #turnLoop() {
    const run = this.#runs.at(-1);
    const turn = turnOf(run, this.#loop);
    const horizon = this.#now() + Math.round(HORIZON_S * this.#grid.rateHz);
    if (turn >= horizon || !this.#covers(run.key, this.#loop.start, this.#coverFrames())) {
      return;
    }
    this.#changeOver(this.#clearFrame({ earliest: turn }), run.key, this.#loop.start);
  }

  /** The end of the music, or the end of what has arrived. */
  #noticeEnd() {
    const run = this.#runs.at(-1);
    const now = this.#now();
    const soundEnds = contextFrameOf(run, run.scheduledTo);
    if (run.scheduledTo >= this.#grid.frames) {
      if (now >= soundEnds) {
        run.endsAt = soundEnds;
        this.#rest(this.#grid.frames);
      }
    } else if (soundEnds - now <= Math.round(LATE_S * this.#grid.rateHz)) {
      // The next segment is late. Fade out on the last of what we have and go on from there when it comes.
      const at = Math.max(now, soundEnds - this.#fade);
      const setFrame = Math.min(run.scheduledTo, frameAt(run, at));
      this.#fallSilent(at);
      this.#wish = { key: this.#wish?.key ?? this.#key, setFrame: this.#wish?.setFrame ?? setFrame };
      this.#enter("waiting");
    }
    const over = this.#runs.filter(({ endsAt }) => endsAt <= now - this.#grid.rateHz);
    over.forEach((each) => each.close());
    this.#runs = this.#runs.filter((each) => !over.includes(each));
  }

  /** Add the frames that sound between the last call and `now` to the copies that sound them. */
  #count(now = this.#now()) {
    for (const run of this.#runs) {
      const frames = Math.min(now, run.endsAt) - Math.max(this.#countedTo, run.contextFrame);
      const from = frameAt(run, Math.max(this.#countedTo, run.contextFrame));
      const left = this.#grid.frames - from;
      const sounded = Math.min(frames, left);
      if (sounded > 0) {
        const total = (this.#heard.get(run.key) ?? 0) + sounded;
        this.#heard.set(run.key, total);
        const detail = { key: run.key, seconds: total / this.#grid.rateHz, from, to: from + sounded };
        this.dispatchEvent(new CustomEvent("heard", { detail }));
      }
    }
    this.#countedTo = now;
  }

  #tellWish() {
    const waiting = this.#wish === null || this.#state === "stopped" ? null : this.#wish.key;
    if (waiting !== this.#told) {
      this.#told = waiting;
      this.dispatchEvent(new CustomEvent("wish", { detail: { key: waiting } }));
    }
  }
}
