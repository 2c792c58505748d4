import assert from "node:assert/strict";
import { it } from "node:test";

import { currentIndex, isWorthKeeping } from "../../../academy/courses/static/courses/places.js";

it("the place being played is the last whose time has come", () => {
  const startsS = [0, 10, 30];
  assert.deepEqual(
    [-1, 0, 9.99, 10, 29, 3000].map((nowS) => currentIndex(startsS, nowS)),
    [-1, 0, 0, 1, 1, 2],
  );
  assert.equal(currentIndex([], 5), -1);
});

it("a place is sent every half minute, and at the end only if it moved", () => {
  const before = { positionS: 10, atMs: 0 };
  const after = (positionS, atMs, isLast) => isWorthKeeping(before, { positionS, atMs }, { isLast });
  assert.equal(after(39, 29_000, false), false);
  assert.equal(after(40, 30_000, false), true);
  assert.equal(after(13, 3_000, true), true);
  assert.equal(after(11, 60_000, true), false);
  assert.equal(after(3, 1_000, true), true); // back counts as much as on
});
