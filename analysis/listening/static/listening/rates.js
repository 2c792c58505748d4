import { SegmentStore } from "./segments.js";
import { gridOf, segmentStart } from "./timeline.js";

/**
 * Copies in a context of another rate.
 *
 * A browser that converts each segment by itself rounds its length and knows nothing of its neighbours, so every join
 * clicks. Here a segment is converted together with the ends of its neighbours, on one grid for the whole set:
 * the pieces are those of a conversion in one go, and meet without a seam.
 */

/** Half the length of the interpolating filter, in frames of the lower rate. */
const HALF_FRAMES = 48;

/** Kaiser's beta for a stop band of 90 dB: 0.1102 (90 - 8.7) (Kaiser's formula, as in textbooks of filter design). */
const KAISER_BETA = 8.96;

/** The middle of the slope, as a part of the lower rate's half: with this length it passes to 0.88 and stops at 1. */
const PASS = 0.94;

const CONVERTED_LIMIT = 8;

/** A store of a set's segments whose sounds have the context's rate. */
export function storeFor(set, context) {
  if (context.sampleRate === set.rate_hz) {
    return new SegmentStore({ copies: set.copies, decode: (bytes) => context.decodeAudioData(bytes) });
  }
  const native = new OfflineAudioContext(1, 1, set.rate_hz); // decodes to its own rate: the set's
  const store = new SegmentStore({ copies: set.copies, decode: (bytes) => native.decodeAudioData(bytes) });
  return new ConvertingStore({ set, context, store });
}

/** Like a SegmentStore, to the player: its sounds are those of another store, converted. */
class ConvertingStore extends EventTarget {
  #set;
  #context;
  #store;
  #grid;
  #native;
  #kernel;
  #converted = new Map(); // name -> AudioBuffer, oldest first

  constructor({ set, context, store }) {
    super();
    this.#set = set;
    this.#context = context;
    this.#store = store;
    this.#grid = gridOf(set, context.sampleRate);
    this.#native = gridOf(set);
    this.#kernel = kernelOf(set.rate_hz, context.sampleRate);
    for (const name of ["trouble", "relief"]) {
      store.addEventListener(name, ({ detail }) => this.dispatchEvent(new CustomEvent(name, { detail })));
    }
  }

  want(list) {
    const wanted = new Map();
    for (const { key, segment, isPressing } of list) {
      for (const each of this.#around(segment)) {
        const name = `${key} ${each}`;
        wanted.set(name, { key, segment: each, isPressing: isPressing || wanted.get(name)?.isPressing === true });
      }
    }
    this.#store.want([...wanted.values()]);
  }

  decoded(key, segment) {
    return this.#converted.get(`${key} ${segment}`) ?? null;
  }

  async load(key, segment) {
    const around = this.#around(segment);
    const sounds = await Promise.all(around.map((each) => this.#store.load(key, each)));
    const ready = this.decoded(key, segment);
    if (ready !== null) {
      return ready; // another call for it was faster
    }
    const [from, to] = [segmentStart(this.#grid, segment), segmentStart(this.#grid, segment + 1)];
    const channels = sounds[0].numberOfChannels;
    const buffer = this.#context.createBuffer(channels, to - from, this.#context.sampleRate);
    for (let channel = 0; channel < channels; channel += 1) {
      const samples = joined(sounds.map((sound) => sound.getChannelData(channel)));
      const first = segmentStart(this.#native, around[0]);
      buffer.copyToChannel(converted(this.#kernel, samples, { first, from, to }), channel);
    }
    this.#converted.set(`${key} ${segment}`, buffer);
    if (this.#converted.size > CONVERTED_LIMIT) {
      this.#converted.delete(this.#converted.keys().next().value);
    }
    return buffer;
  }

  hurry() {
    this.#store.hurry();
  }

  close() {
    this.#store.close();
    this.#converted.clear();
  }

  /** A segment and its neighbours, in order. */
  #around(segment) {
    return [segment - 1, segment, segment + 1].filter((each) => each >= 0 && each < this.#grid.count);
  }
}

/**
 * The filter that interpolates between the frames of one rate at those of another: a sinc under a Kaiser window.
 *
 * @returns {{setRateHz: number, rateHz: number, half: number, phases: Float64Array[]}} one row of 2 x half weights for
 *   each place between two frames that the ratio of the rates can give; each row sums to 1, so that a constant stays.
 */
export function kernelOf(setRateHz, rateHz) {
  const ratio = Math.min(1, rateHz / setRateHz);
  const half = Math.ceil(HALF_FRAMES / ratio);
  const count = rateHz / greatestDivisor(setRateHz, rateHz);
  const phases = Array.from({ length: count }, (_, phase) => {
    const row = Float64Array.from({ length: 2 * half }, (_unused, tap) => {
      const distance = tap - half + 1 - phase / count;
      return sinc(distance * ratio * PASS) * kaiser(distance / half);
    });
    const sum = row.reduce((total, weight) => total + weight, 0);
    return row.map((weight) => weight / sum);
  });
  return { setRateHz, rateHz, half, phases };
}

/**
 * Samples of the set's rate read at frames of the context's rate.
 *
 * @param {ReturnType<typeof kernelOf>} kernel
 * @param {Float32Array} samples beginning at set frame `first`; silence is assumed around them.
 * @param {{first: number, from: number, to: number}} span context frames `from` to before `to`.
 * @returns {Float32Array} of length `to - from`.
 */
export function converted({ setRateHz, rateHz, half, phases }, samples, { first, from, to }) {
  const step = rateHz / phases.length;
  const out = new Float32Array(to - from);
  for (let frame = from; frame < to; frame += 1) {
    const place = frame * setRateHz;
    const whole = Math.floor(place / rateHz);
    const row = phases[(place - whole * rateHz) / step];
    const left = whole - half + 1 - first;
    let sum = 0;
    for (let tap = Math.max(0, -left); tap < row.length && left + tap < samples.length; tap += 1) {
      sum += row[tap] * samples[left + tap];
    }
    out[frame - from] = sum;
  }
  return out;
}

function joined(parts) {
  const whole = new Float32Array(parts.reduce((length, part) => length + part.length, 0));
  let at = 0;
  for (const part of parts) {
    whole.set(part, at);
    at += part.length;
  }
  return whole;
}

function greatestDivisor(a, b) {
  return b === 0 ? a : greatestDivisor(b, a % b);
}

function sinc(x) {
  return x === 0 ? 1 : Math.sin(Math.PI * x) / (Math.PI * x);
}

function kaiser(x) {
  return Math.abs(x) > 1 ? 0 : bessel(KAISER_BETA * Math.sqrt(1 - x * x)) / bessel(KAISER_BETA);
}

/** The modified Bessel function of the first kind, order 0, by its power series. */
function bessel(x) {
  let [sum, term] = [1, 1];
  for (let k = 1; term > 1e-17 * sum; k += 1) {
    term *= (x / (2 * k)) ** 2;
    sum += term;
  }
  return sum;
}
