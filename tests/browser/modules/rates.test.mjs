// Conversion between rates. A sine is its own reference: sin(2 pi f t) is known at every t (algebra).
import assert from "node:assert/strict";
import { describe, it } from "node:test";

import { converted, kernelOf } from "../../../analysis/listening/static/listening/rates.js";

const SET_HZ = 48_000;
const EDGE_S = 0.003; // beside the silence around the samples, where a sine cut off is no sine

function sine(frequencyHz, rateHz, frames) {
  return Float32Array.from({ length: frames }, (_, n) => Math.sin((2 * Math.PI * frequencyHz * n) / rateHz));
}

function largestError(frequencyHz, rateHz) {
  const kernel = kernelOf(SET_HZ, rateHz);
  const frames = Math.floor((9_600 * rateHz) / SET_HZ);
  const out = converted(kernel, sine(frequencyHz, SET_HZ, 9_600), { first: 0, from: 0, to: frames });
  const wanted = sine(frequencyHz, rateHz, frames);
  const edge = Math.ceil(EDGE_S * rateHz);
  return Math.max(...out.map((sample, n) => Math.abs(sample - wanted[n])).subarray(edge, -edge));
}

describe("conversion", () => {
  for (const rateHz of [44_100, 88_200, 96_000, 192_000]) {
    it(`keeps sines up to 19 kHz to 1 in 10,000 at ${rateHz} Hz`, () => {
      for (const frequencyHz of [50, 997, 9_000, 19_000]) {
        assert.ok(largestError(frequencyHz, rateHz) < 1e-4, `${frequencyHz} Hz: ${largestError(frequencyHz, rateHz)}`);
      }
    });
  }

  it("keeps what a lower rate cannot hold 60 dB down", () => {
    const kernel = kernelOf(SET_HZ, 32_000);
    const out = converted(kernel, sine(18_000, SET_HZ, 9_600), { first: 0, from: 0, to: 6_400 });
    assert.ok(Math.max(...out.subarray(100, -100).map(Math.abs)) < 1e-3);
  });

  it("gives in pieces exactly what it gives in one go", () => {
    const kernel = kernelOf(SET_HZ, 44_100);
    const samples = Float32Array.from({ length: 9_600 }, (_, n) => Math.sin(n * n)); // as unruly as noise, and repeatable
    const whole = converted(kernel, samples, { first: 0, from: 0, to: 8_820 });
    const piece = converted(kernel, samples.subarray(3_000, 7_000), { first: 3_000, from: 3_000, to: 6_000 });
    assert.deepEqual(piece, whole.subarray(3_000, 6_000));
  });

  it("leaves a constant as it is", () => {
    const out = converted(kernelOf(SET_HZ, 44_100), new Float32Array(4_800).fill(0.5), { first: 0, from: 100, to: 4_000 });
    assert.ok(out.every((sample) => Math.abs(sample - 0.5) < 1e-7));
  });
});
