// Stretches of time. Expected values are counted by hand on a line.
import assert from "node:assert/strict";
import { describe, it } from "node:test";

import { lengthOf, placeAfter, placeBefore, withSpan } from "../../../analysis/listening/static/listening/spans.js";

const many = (...spans) => spans.reduce(withSpan, []);

describe("stretches", () => {
  it("stay apart, in order, whatever the order in which they come", () => {
    assert.deepEqual(many([8, 9], [1, 2], [4, 5]), [[1, 2], [4, 5], [8, 9]]);
  });

  it("grow together where they meet, overlap, or one holds the other", () => {
    assert.deepEqual(many([1, 2], [2, 3]), [[1, 3]]);
    assert.deepEqual(many([1, 2], [4, 5], [1.5, 4.5]), [[1, 5]]);
    assert.deepEqual(many([1, 9], [3, 4]), [[1, 9]]);
    assert.deepEqual(many([1, 2], [2.04, 3]), [[1, 3]]);
  });

  it("count no second twice", () => {
    assert.equal(lengthOf(many([0, 4], [2, 6], [10, 11])), 7);
    assert.equal(lengthOf([]), 0);
  });

  it("leave out what has no length or is no time", () => {
    for (const wrong of [[3, 3], [4, 3], [NaN, 3], [3, undefined]]) {
      assert.deepEqual(many([1, 2], wrong), [[1, 2]]);
    }
  });

  it("are the same as marking every hundredth of a second, for many random ones", () => {
    let state = 7; // a linear congruential generator, constants from memory
    const next = (below) => (state = (Math.imul(state, 1664525) + 1013904223) >>> 0) % below;
    const marked = new Array(4000).fill(false);
    let spans = [];
    for (let n = 0; n < 60; n += 1) {
      const [from, length] = [next(3600), 10 * (1 + next(30))]; // borders 10 apart, or they would be joined
      const at = from - (from % 10);
      marked.fill(true, at, at + length);
      spans = withSpan(spans, [at / 100, (at + length) / 100]);
    }
    assert.equal(Math.round(lengthOf(spans) * 100), marked.filter(Boolean).length);
  });
});

describe("places", () => {
  it("are found before and after, but not where one is", () => {
    assert.equal(placeBefore([0, 10, 20], 20.4, 1), 10);
    assert.equal(placeBefore([0, 10, 20], 21.5, 1), 20);
    assert.equal(placeAfter([0, 10, 20], 10, 0.05), 20);
    assert.equal(placeAfter([0, 10, 20], 3, 0.05), 10);
  });

  it("are null where there is none", () => {
    assert.equal(placeBefore([5], 5.5, 1), null);
    assert.equal(placeAfter([5], 5, 0.05), null);
    assert.equal(placeAfter([], 0, 0.05), null);
  });
});
