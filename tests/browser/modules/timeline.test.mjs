// The arithmetic of the booth. Expected values are counted by hand from the definitions in timeline.js.
import assert from "node:assert/strict";
import { describe, it } from "node:test";

import {
  clearFrame,
  contextFrameOf,
  fadeFrames,
  frameAt,
  frameOf,
  gridOf,
  loopOf,
  namesToDrop,
  piecesBetween,
  readyKeys,
  runAt,
  segmentAt,
  segmentStart,
  turnOf,
  wantedSegments,
} from "../../../analysis/listening/static/listening/timeline.js";

const SET = { frames: 250_000, segment_frames: 96_000, rate_hz: 48_000 };
const grid = gridOf(SET);

describe("the grid", () => {
  it("counts a short last segment", () => {
    assert.equal(grid.count, 3);
    assert.deepEqual([0, 1, 2, 3].map((n) => segmentStart(grid, n)), [0, 96_000, 192_000, 250_000]);
  });

  it("gives a border frame to the segment that begins there", () => {
    assert.deepEqual([0, 95_999, 96_000, 191_999, 192_000, 249_999].map((n) => segmentAt(grid, n)), [0, 0, 1, 1, 2, 2]);
  });

  it("keeps the end of the set in the last segment", () => {
    assert.equal(segmentAt(grid, 250_000), 2);
  });

  it("has no stray segment when the length is a whole number of them", () => {
    assert.equal(gridOf({ ...SET, frames: 192_000 }).count, 2);
  });

  it("refuses a set without whole, positive numbers", () => {
    for (const wrong of [{ frames: 0 }, { frames: 1.5 }, { segment_frames: -1 }, { rate_hz: NaN }, { rate_hz: undefined }]) {
      assert.throws(() => gridOf({ ...SET, ...wrong }, 48_000), RangeError);
    }
  });

  it("agrees with itself at a context rate of its own, frame by frame at every border", () => {
    for (const rate of [44_100, 96_000, 88_200, 32_000, 22_050]) {
      const other = gridOf(SET, rate);
      assert.equal(other.frames, Math.ceil((250_000 * rate) / 48_000));
      for (let segment = 0; segment < other.count; segment += 1) {
        const start = segmentStart(other, segment);
        assert.equal(segmentAt(other, start), segment);
        assert.equal(segmentAt(other, segmentStart(other, segment + 1) - 1), segment);
      }
    }
  });

  it("turns seconds into the nearest frame inside the set", () => {
    assert.deepEqual([1, -3, 99, NaN, 0.00001].map((s) => frameOf(grid, s)), [48_000, 0, 250_000, 0, 0]);
  });
});

describe("a stretch cut into pieces", () => {
  it("is seamless and keeps to its segments", () => {
    const pieces = piecesBetween(grid, 90_000, 200_000);
    assert.deepEqual(pieces, [
      { segment: 0, offset: 90_000, frames: 6_000, setFrame: 90_000 },
      { segment: 1, offset: 0, frames: 96_000, setFrame: 96_000 },
      { segment: 2, offset: 0, frames: 8_000, setFrame: 192_000 },
    ]);
  });

  it("ends with the set", () => {
    assert.deepEqual(piecesBetween(grid, 249_000, 999_999), [
      { segment: 2, offset: 57_000, frames: 1_000, setFrame: 249_000 },
    ]);
  });

  it("is empty when nothing lies in it", () => {
    assert.deepEqual(piecesBetween(grid, 250_000, 260_000), []);
    assert.deepEqual(piecesBetween(grid, 5_000, 5_000), []);
  });

  it("covers every frame once at any context rate", () => {
    const other = gridOf(SET, 44_100);
    let next = 0;
    for (const piece of piecesBetween(other, 0, other.frames)) {
      assert.equal(piece.setFrame, next);
      assert.equal(segmentStart(other, piece.segment) + piece.offset, next);
      next += piece.frames;
    }
    assert.equal(next, other.frames);
  });
});

describe("runs", () => {
  const runs = [
    { key: "a", contextFrame: 1_000, setFrame: 0 },
    { key: "b", contextFrame: 5_000, setFrame: 4_000 },
  ];

  it("tie the two clocks both ways", () => {
    assert.equal(frameAt(runs[1], 5_500), 4_500);
    assert.equal(contextFrameOf(runs[1], 4_500), 5_500);
  });

  it("are heard from their first frame", () => {
    assert.deepEqual([999, 1_000, 4_999, 5_000].map((n) => runAt(runs, n)?.key ?? null), [null, "a", "a", "b"]);
  });

  it("fade for 8 ms in whole frames", () => {
    assert.deepEqual([48_000, 44_100].map(fadeFrames), [384, 353]);
  });

  it("turn back at the end of a loop, unless they began behind it", () => {
    const loop = { start: 24_000, end: 96_000 };
    assert.equal(turnOf(runs[0], loop), 97_000);
    assert.equal(turnOf({ ...runs[0], setFrame: 96_000 }, loop), Infinity);
    assert.equal(turnOf(runs[0], null), Infinity);
  });
});

describe("a clear frame for a change-over", () => {
  it("is the earliest when no other is near", () => {
    assert.equal(clearFrame(1_000, [], 384), 1_000);
    assert.equal(clearFrame(1_000, [616, 1_384], 384), 1_000);
  });

  it("waits for one under way and for one about to begin", () => {
    assert.equal(clearFrame(1_000, [617], 384), 1_001);
    assert.equal(clearFrame(1_000, [1_383], 384), 1_767);
  });

  it("is pushed on from one to the next, in whatever order they are given", () => {
    assert.equal(clearFrame(1_000, [1_500, 900], 384), 1_884);
  });
});

describe("a loop", () => {
  it("is put in order and kept inside the set", () => {
    assert.deepEqual(loopOf(grid, 300_000, 100_000), { start: 100_000, end: 250_000 });
  });

  it("is refused under half a second", () => {
    assert.equal(loopOf(grid, 0, 23_999), null);
    assert.deepEqual(loopOf(grid, 0, 24_000), { start: 0, end: 24_000 });
  });
});

describe("what to fetch", () => {
  const long = gridOf({ frames: 960_000, segment_frames: 96_000, rate_hz: 48_000 });
  const now = { grid: long, keys: ["a", "b", "c"], heard: "b", wished: null, recent: [], frame: 100_000, loop: null };
  const words = (wanted) => wanted.map(({ key, segment }) => `${key}${segment}`);

  it("begins with what is heard, then the present of every other copy, then their future", () => {
    assert.deepEqual(words(wantedSegments(now)), ["b1", "b2", "b3", "b4", "c1", "a1", "c2", "a2"]);
  });

  it("puts what sounds first, then the copy that the listener waits for, and says that these press", () => {
    const wanted = wantedSegments({ ...now, wished: "a", sounds: 100_000 });
    assert.deepEqual(words(wanted).slice(0, 5), ["b1", "b2", "a1", "a2", "b3"]);
    assert.deepEqual(words(wanted.filter(({ isPressing }) => isPressing)), ["b1", "b2", "a1", "a2"]);
  });

  it("goes on with what sounds while a place far off is awaited", () => {
    const wanted = wantedSegments({ ...now, wished: "b", frame: 800_000, sounds: 100_000 });
    assert.deepEqual(words(wanted).slice(0, 4), ["b1", "b2", "b8", "b9"]);
  });

  it("presses for what is about to begin while nothing sounds", () => {
    assert.deepEqual(words(wantedSegments(now).filter(({ isPressing }) => isPressing)), ["b1", "b2"]);
  });

  it("follows a loop round", () => {
    const loop = { start: 10_000, end: 250_000 };
    assert.deepEqual(words(wantedSegments({ ...now, keys: ["b"], loop })), ["b1", "b2", "b0"]);
  });

  it("does not ask past the end", () => {
    assert.deepEqual(words(wantedSegments({ ...now, keys: ["b"], frame: 959_999 })), ["b9"]);
  });

  it("keeps only neighbours and lately heard copies ready in a large set", () => {
    const keys = [..."abcdefghijklmnopqrst"];
    assert.deepEqual(readyKeys(keys, "f", ["q", "e", "f", "b", "c", "d"]), ["g", "e", "q", "b"]);
    assert.equal(readyKeys(keys.slice(0, 8), "a", []).length, 7);
  });

  it("keeps the few that are compared ready, and no other", () => {
    assert.deepEqual(readyKeys(["c", "f"], "c", ["a", "b"]), ["f"]);
    assert.deepEqual(readyKeys(["c", "f"], "a", ["f", "b"]), ["c", "f"]);
  });
});

describe("what to drop", () => {
  const held = new Map([["old", 40], ["wanted", 40], ["newer", 40], ["newest", 40]]);

  it("is nothing while all of it fits", () => {
    assert.deepEqual(namesToDrop(held, new Set(), 160), []);
  });

  it("is the longest unused, and never what is wanted", () => {
    assert.deepEqual(namesToDrop(held, new Set(["wanted"]), 80), ["old", "newer"]);
    assert.deepEqual(namesToDrop(held, new Set(["wanted"]), 0), ["old", "newer", "newest"]);
  });
});
