/** What a log of runs must sound like, and how far a record is from it. No page, no audio. */

/** The largest error that still counts as the same sample; a step of 24 bit is 1.2e-7. */
export const EXACT = 1e-6;

/**
 * The largest difference between one recorded channel and what the runs amount to.
 *
 * @param {object} record
 * @param {number} record.first context frame of the first sample.
 * @param {Float32Array} record.samples NaN where nothing was recorded: left out.
 * @param {{key: string|null, contextFrame: number, setFrame: number, fade: number}[]} runs as the player tells them, in
 *   the order of their frames. Silence is expected before the first, and past the end of a source.
 * @param {Map<string, Float32Array>} sources one channel of each copy.
 * @returns {number} 0 for an empty record.
 */
export function largestError({ first, samples }, runs, sources) {
  let largest = 0;
  let at = -1; // the run that sounds
  samples.forEach((sample, n) => {
    const frame = first + n;
    while (at + 1 < runs.length && runs[at + 1].contextFrame <= frame) {
      at += 1;
    }
    if (!Number.isNaN(sample)) {
      largest = Math.max(largest, Math.abs(sample - expectedSample(frame, runs[at], runs[at - 1], sources)));
    }
  });
  return largest;
}

/** Inside a change-over the two runs are mixed along a straight line; elsewhere the run sounds as it is. */
function expectedSample(frame, run, before, sources) {
  const sound = sampleOf(frame, run, sources);
  const since = run === undefined ? Infinity : frame - run.contextFrame;
  if (since >= (run?.fade ?? 0)) {
    return sound;
  }
  const part = since / run.fade;
  return sampleOf(frame, before, sources) * (1 - part) + sound * part;
}

function sampleOf(frame, run, sources) {
  if (run === undefined || run.key === null) {
    return 0;
  }
  return sources.get(run.key)[run.setFrame + frame - run.contextFrame] ?? 0;
}
