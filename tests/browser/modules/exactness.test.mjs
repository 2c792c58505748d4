// How far a record is from its log of runs. Expected values are worked out by hand.
import assert from "node:assert/strict";
import { describe, it } from "node:test";

import { largestError } from "../../../analysis/listening/static/listening/exactness.js";

const sources = new Map([
  ["a", Float32Array.of(0.5, 0.5, 0.5, 0.5, 0.5, 0.5)],
  ["b", Float32Array.of(0, 0, -0.5, -0.5, -0.5, -0.5)],
]);
const runs = [
  { key: "a", contextFrame: 11, setFrame: 0, fade: 0 },
  { key: "b", contextFrame: 13, setFrame: 2, fade: 2 },
];
const record = (...samples) => ({ first: 10, samples: Float32Array.from(samples) });

describe("the largest error", () => {
  it("is none for a record of silence, a run, a straight change-over, a run and silence", () => {
    assert.equal(largestError(record(0, 0.5, 0.5, 0.5, 0, -0.5, -0.5, 0), runs, sources), 0);
  });

  it("finds a sample that is off", () => {
    assert.equal(largestError(record(0, 0.5, 0.5, 0.5, 0.25, -0.5), runs, sources), 0.25);
  });

  it("finds a hole and a late start", () => {
    assert.equal(largestError(record(0, 0.5, 0), runs, sources), 0.5);
    assert.equal(largestError(record(0, 0, 0.5), runs, sources), 0.5);
  });

  it("leaves out what was not recorded", () => {
    assert.equal(largestError(record(0, NaN, 0.5), runs, sources), 0);
  });

  it("expects silence from a run of silence", () => {
    const paused = [...runs.slice(0, 1), { key: null, contextFrame: 12, setFrame: 1, fade: 2 }];
    assert.equal(largestError(record(0, 0.5, 0.5, 0.25, 0), paused, sources), 0);
  });
});
