/**
 * The arithmetic of the booth: frames, segments, what to play next, what to fetch, what to drop.
 *
 * Nothing here touches the page, the network or a sound device, and nothing here keeps state.
 * Two clocks are used. A *set frame* is a place in the music. A *context frame* is a tick of the
 * audio context's clock. A *run* ties them: `{ key, contextFrame, setFrame }` says that at
 * `contextFrame` the copy `key` sounds its `setFrame`, and goes on frame by frame from there.
 * All frames are integers: a source started off the frame grid is interpolated, and the joins click.
 */

/** Length of a change-over. Linear, because copies of one song are alike: an equal-power fade
 *  of two like signals bumps by 3 dB (cos 45 + sin 45 = 1.41), a linear one does nothing. */
export const FADE_S = 0.008;

/** How far ahead of the clock anything is scheduled; 21 ms at 48 kHz. */
export const MARGIN_FRAMES = 1024;

/** How much of that must be left when all is prepared and the fades are still to be written; 13 ms at 48 kHz.
 *  A device asks for 10 ms of sound at a time, so the clock may leap by four quanta. [seen in Chromium; it varies] */
export const SPARE_FRAMES = 640;

/** What is rendered at a stretch: Web Audio API, render quantum, 128 frames unless a page asks for another size. */
export const QUANTUM_FRAMES = 128;

/** How much sound is scheduled ahead. Longer than the one second to which a hidden tab's timers are slowed. */
export const HORIZON_S = 2.5;

/** How much decoded sound a copy needs before the booth changes over to it. */
export const COVER_S = 0.5;

/** A shorter loop than this would be a buzz, and its change-overs would run into each other. */
export const SHORTEST_LOOP_S = 0.5;

/** Segments fetched ahead for the copy that is heard, and for one that is kept ready. */
const AHEAD_HEARD = 4;
const AHEAD_READY = 2;

/** Up to this many copies all are kept ready; in a larger set only the likely ones are. */
const ALL_READY = 8;
const RECENT_READY = 4;

/**
 * The grid of segments of a set, counted in frames of the context's rate.
 *
 * @param {{frames: number, segment_frames: number, rate_hz: number}} set
 * @param {number} [contextRateHz] the audio context's rate; the set's own unless the browser refused it.
 * @returns {{rateHz: number, setRateHz: number, frames: number, count: number, segmentFrames: number}}
 *   `frames` is the length of the set and `count` its number of segments; `segmentFrames` stays in the set's rate.
 * @throws {RangeError} a length or rate is not a positive integer.
 */
export function gridOf(set, contextRateHz = set.rate_hz) {
  for (const number of [set.frames, set.segment_frames, set.rate_hz, contextRateHz]) {
    if (!Number.isInteger(number) || number <= 0) {
      throw new RangeError(`A set needs whole, positive frames and rates; this one says ${number}.`);
    }
  }
  return {
    rateHz: contextRateHz,
    setRateHz: set.rate_hz,
    frames: Math.ceil((set.frames * contextRateHz) / set.rate_hz),
    count: Math.ceil(set.frames / set.segment_frames),
    segmentFrames: set.segment_frames,
  };
}

/** First frame of a segment; of `grid.count`, the end of the set. */
export function segmentStart(grid, segment) {
  // Frame m of the context lies at m * setRate / contextRate; the first one at or after the border is the ceiling.
  return Math.min(grid.frames, Math.ceil((segment * grid.segmentFrames * grid.rateHz) / grid.setRateHz));
}

/** The segment that holds a frame. */
export function segmentAt(grid, frame) {
  const setFrame = Math.floor((frame * grid.setRateHz) / grid.rateHz);
  return Math.min(grid.count - 1, Math.floor(setFrame / grid.segmentFrames));
}

/** The frames in a change-over at a rate. */
export function fadeFrames(rateHz) {
  return Math.round(FADE_S * rateHz);
}

/** Seconds to the nearest frame inside the set. Not a number gives the start. */
export function frameOf(grid, seconds) {
  const frame = Math.round(seconds * grid.rateHz);
  return Number.isNaN(frame) ? 0 : Math.min(grid.frames, Math.max(0, frame));
}

/** The set frame that a run sounds at a context frame. */
export function frameAt(run, contextFrame) {
  return run.setFrame + (contextFrame - run.contextFrame);
}

/** The context frame at which a run sounds a set frame: `frameAt` the other way round. */
export function contextFrameOf(run, setFrame) {
  return run.contextFrame + (setFrame - run.setFrame);
}

/** The run that sounds at a context frame: the latest one already begun. Null before the first. */
export function runAt(runs, contextFrame) {
  return runs.findLast((run) => run.contextFrame <= contextFrame) ?? null;
}

/**
 * The stretch between two set frames, cut at the segment borders.
 *
 * @returns {{segment: number, offset: number, frames: number, setFrame: number}[]}
 *   `offset` is where in the segment the piece begins. Empty if the stretch is, or lies past the end.
 */
export function piecesBetween(grid, from, to) {
  const pieces = [];
  const end = Math.min(to, grid.frames);
  for (let frame = from; frame < end; ) {
    const segment = segmentAt(grid, frame);
    const next = Math.min(end, segmentStart(grid, segment + 1));
    pieces.push({ segment, offset: frame - segmentStart(grid, segment), frames: next - frame, setFrame: frame });
    frame = next;
  }
  return pieces;
}

/**
 * The first context frame, `earliest` or later, whose change-over touches no other.
 *
 * @param {number[]} fadeStarts context frames at which the other change-overs begin, in any order.
 */
export function clearFrame(earliest, fadeStarts, fade) {
  let frame = earliest;
  for (const start of [...fadeStarts].sort((a, b) => a - b)) {
    if (start < frame + fade && frame < start + fade) {
      frame = start + fade;
    }
  }
  return frame;
}

/** A loop in set frames, in order and inside the set; null if it would be too short to loop. */
export function loopOf(grid, from, to) {
  const start = Math.max(0, Math.min(from, to));
  const end = Math.min(grid.frames, Math.max(from, to));
  return end - start >= SHORTEST_LOOP_S * grid.rateHz ? { start, end } : null;
}

/**
 * The context frame at which a run turns back to the start of the loop.
 * Infinity without a loop, or when the run began behind the loop's end.
 */
export function turnOf(run, loop) {
  return loop && run.setFrame < loop.end ? contextFrameOf(run, loop.end) : Infinity;
}

/**
 * The copies worth keeping ready for a switch, most likely first, without the one that is heard.
 *
 * @param {string[]} keys the copies that are compared, in the order of the page; the one heard need not be among them.
 * @param {string[]} recent copies lately heard, latest first.
 */
export function readyKeys(keys, heard, recent) {
  const others = keys.filter((key) => key !== heard);
  const at = keys.indexOf(heard);
  const beside = [keys[at + 1], keys[at - 1]].filter((key) => key !== undefined);
  const lately = recent.filter((key) => keys.includes(key)).slice(0, RECENT_READY);
  const likely = [...new Set([...beside, ...lately])].filter((key) => key !== heard);
  return keys.length <= ALL_READY ? [...new Set([...likely, ...others])] : likely;
}

/**
 * The segments to have in memory, the most pressing first.
 *
 * What sounds now comes first: on a slow line it has to play on until the copy or place that was wished for is there.
 *
 * @param {{grid: object, keys: string[], heard: string, wished: string|null, recent: string[], frame: number,
 *   sounds: number|null, loop: {start: number, end: number}|null}} now `frame` is where the playhead is or is about to
 *   go, `sounds` the frame that sounds (null: nothing does).
 * @returns {{key: string, segment: number, isPressing: boolean}[]} each once. The pressing ones are those without which
 *   there would be a hole, or the listener waits.
 */
export function wantedSegments({ grid, keys, heard, wished, recent, frame, sounds = null, loop }) {
  const wanted = new Map();
  const ask = (key, steps, { from = frame, isPressing = false } = {}) => {
    for (const segment of comingSegments(grid, from, loop, steps)) {
      const name = `${key} ${segment}`;
      if (!wanted.has(name)) {
        wanted.set(name, { key, segment, isPressing });
      }
    }
  };
  if (sounds !== null) {
    ask(heard, AHEAD_READY, { from: sounds, isPressing: true });
  }
  ask(wished ?? heard, AHEAD_READY, { isPressing: true });
  ask(heard, AHEAD_HEARD);
  const ready = readyKeys(keys, heard, recent);
  ready.forEach((key) => ask(key, 1));
  ready.forEach((key) => ask(key, AHEAD_READY));
  return [...wanted.values()];
}

/** The next `steps` segments in the order in which they will sound, following the loop round. */
function comingSegments(grid, frame, loop, steps) {
  const segments = [];
  const turnsBack = loop !== null && frame < loop.end;
  let segment = segmentAt(grid, frame);
  for (let step = 0; step < steps && segment < grid.count; step += 1) {
    segments.push(segment);
    const atTurn = turnsBack && segment === segmentAt(grid, loop.end - 1);
    segment = atTurn ? segmentAt(grid, loop.start) : segment + 1;
  }
  return segments;
}

/**
 * The names to drop so that what is held fits the limit: the longest unused first, a wanted one never.
 *
 * @param {Map<string, number>} held bytes by name, in order of last use, oldest first.
 * @param {Set<string>} wanted
 */
export function namesToDrop(held, wanted, limitBytes) {
  let total = [...held.values()].reduce((sum, bytes) => sum + bytes, 0);
  const drop = [];
  for (const [name, bytes] of held) {
    if (total <= limitBytes) {
      break;
    }
    if (!wanted.has(name)) {
      drop.push(name);
      total -= bytes;
    }
  }
  return drop;
}
