import { EXACT, largestError } from "./exactness.js";
import { flacOf } from "./flac.js";
import { Player } from "./player.js";
import { Recording } from "./recording.js";
import { SegmentStore } from "./segments.js";
import { gridOf } from "./timeline.js";

/**
 * Plays made-up copies through the real player into a recorder, in whatever browser this is, and says whether every
 * sample came out as it went in. Nothing is heard and nothing is sent.
 */

const RATE_HZ = 48_000;
const SET = { rate_hz: RATE_HZ, frames: 6 * RATE_HZ, segment_frames: RATE_HZ / 2 };
const KEYS = ["first", "second", "third"];
const SWITCHES = 12;
const BETWEEN_SWITCHES_MS = 230;
const PATIENCE_MS = 15_000;
/** A record with more holes than this is no evidence, for or against. */
const MOST_LOST = 0.02;

class SelfTest {
  #root;
  #button;
  #list;
  #verdict;

  constructor(root) {
    this.#root = root;
    this.#button = root.querySelector("[data-selftest-run]");
    this.#list = root.querySelector("[data-selftest-findings]");
    this.#verdict = root.querySelector("[data-selftest-verdict]");
    this.#button.addEventListener("click", () => this.#run());
  }

  async #run() {
    this.#button.disabled = true;
    this.#list.replaceChildren();
    this.#verdict.textContent = "Running. It takes about ten seconds.";
    let passed;
    try {
      passed = await this.#check();
    } catch (error) {
      passed = false;
      this.#note(false, `The test could not be finished: ${error.message}.`, "Run it again with this page in front.");
    }
    this.#verdict.textContent = passed
      ? "✓ Pass. This browser plays the booth’s copies sample by sample as they are."
      : "✗ Fail. What failed, and what to do about it, is said above. Until it passes, judge with another browser.";
    this.#verdict.dataset.selftestVerdict = passed ? "pass" : "fail";
    this.#button.disabled = false;
  }

  /** One finding, and where it failed what that means and what to do. */
  #note(passed, words, advice) {
    const item = document.createElement("li");
    item.textContent = `${passed ? "✓" : "✗"} ${words}${passed ? "" : ` ${advice}`}`;
    this.#list.append(item);
    return passed;
  }

  /** All findings, in the order in which one makes the next worth knowing. */
  async #check() {
    const context = new AudioContext({ sampleRate: RATE_HZ });
    try {
      await context.resume();
      const rate = this.#note(
        context.sampleRate === RATE_HZ,
        `Rate: ${context.sampleRate} Hz, wanted ${RATE_HZ} Hz.`,
        "The booth converts its copies then, without gaps, but not sample by sample. Set the sound device to 48 kHz and run this again.",
      );
      const sources = new Map(KEYS.map((key, n) => [key, copyOf(n + 1)]));
      return rate && (await this.#checkDecoding(context, sources)) && (await this.#checkPlaying(context, sources));
    } finally {
      await context.close();
    }
  }

  async #checkDecoding(context, sources) {
    const source = sources.get(KEYS[0]).map((samples) => samples.subarray(0, SET.segment_frames));
    const sound = await context.decodeAudioData(flacOf(source));
    const errors = source.map((samples, channel) => {
      const decoded = sound.getChannelData(channel);
      return samples.reduce((largest, sample, n) => Math.max(largest, Math.abs(sample - decoded[n])), 0);
    });
    const error = Math.max(...errors);
    const passed = sound.length === SET.segment_frames && error === 0;
    return this.#note(
      passed,
      `Decoding: ${sound.length} frames, wanted ${SET.segment_frames}; largest error ${error}.`,
      "This browser changes a 24-bit FLAC file when it opens it. Use another one, or a newer version.",
    );
  }

  async #checkPlaying(context, sources) {
    const recording = await Recording.start(context, this.#root.dataset.recorder);
    const { player, runs, waits, late } = playerOf(context, recording.node, sources);
    player.play();
    await until(() => player.state === "playing");
    for (let n = 1; n <= SWITCHES; n += 1) {
      await pause(BETWEEN_SWITCHES_MS);
      const pressed = context.currentTime;
      const count = runs.length;
      player.choose(KEYS[n % KEYS.length]);
      await until(() => runs.length > count);
      waits.push(runs.at(-1).contextFrame / RATE_HZ - pressed);
    }
    await until(() => player.state === "stopped");
    await pause(300); // for the recorder's last block
    return this.#judge(recording.sound, { runs, waits, late }, sources);
  }

  #judge({ first, channels, lost }, { runs, waits, late }, sources) {
    const error = Math.max(
      ...channels.map((samples, side) => {
        const one = new Map([...sources].map(([key, copy]) => [key, copy[side]]));
        return largestError({ first, samples }, runs, one);
      }),
    );
    const places = new Set(runs.map((run) => run.setFrame - run.contextFrame));
    const longest_ms = Math.round(Math.max(...waits) * 1000);
    const frames = channels[0].length;
    const whole = frames >= SET.frames && lost <= MOST_LOST * frames && late.length === 0;
    this.#note(
      whole,
      `Record: ${frames} frames of which ${lost} were missed by the recorder; begun too late: ${late.length}.`,
      "The machine was too busy to play and to listen to itself. Close other programs and run this again.",
    );
    this.#note(
      places.size === 1,
      `Place: kept through ${runs.length - 1} switches; the longest took ${longest_ms} ms.`,
      "A switch jumped in the song. Copies cannot be compared fairly here.",
    );
    this.#note(
      error <= EXACT,
      `Playing: largest error ${error.toExponential(1)}, allowed ${EXACT.toExponential(0)}.`,
      "Something between the copies and the output changes them: clicks at the joins, a wrong rate, or an effect.",
    );
    return whole && places.size === 1 && error <= EXACT;
  }
}

/** A player over segments that are written here instead of fetched. */
function playerOf(context, output, sources) {
  const segments = new Map([...sources].map(([key, copy]) => [key, segmentsOf(copy)]));
  const store = new SegmentStore({
    copies: KEYS.map((key) => ({ key, segments_url: `${key}/` })),
    decode: (bytes) => context.decodeAudioData(bytes),
    fetch: async (address) => {
      const [key, number] = address.split("/");
      return { ok: true, arrayBuffer: async () => segments.get(key)[Number(number)] };
    },
  });
  const player = new Player({ context, output, grid: gridOf(SET, context.sampleRate), keys: KEYS, store });
  const runs = [];
  player.addEventListener("run", (event) => runs.push(event.detail));
  const late = [];
  player.addEventListener("late", (event) => late.push(event.detail));
  return { player, runs, waits: [], late };
}

function segmentsOf(copy) {
  return Array.from({ length: SET.frames / SET.segment_frames }, (_, n) =>
    flacOf(copy.map((samples) => samples.subarray(n * SET.segment_frames, (n + 1) * SET.segment_frames))),
  );
}

/** Two channels of noise on the 24-bit grid, the same each time: a linear congruential generator, constants from memory. */
function copyOf(seed) {
  return [0, 1].map((side) => {
    let state = seed * 2 + side;
    return Float32Array.from({ length: SET.frames }, () => {
      state = (Math.imul(state, 1664525) + 1013904223) >>> 0;
      return Math.round((state / 2 ** 32 - 0.5) * 0.5 * 2 ** 23) / 2 ** 23;
    });
  });
}

function pause(ms) {
  return new Promise((done) => setTimeout(done, ms));
}

async function until(condition) {
  const began = performance.now();
  while (!condition()) {
    if (performance.now() - began > PATIENCE_MS) {
      throw new Error("the player did not go on");
    }
    await pause(5);
  }
}

for (const root of document.querySelectorAll("[data-selftest]")) {
  new SelfTest(root);
}
