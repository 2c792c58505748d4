import assert from "node:assert/strict";
import { describe, it } from "node:test";

import { Session } from "../../../contests/static/contests/session.js";

const LIMITS = { longestS: 1500, most: 12, restS: 600 };
const begin = (heardS = 0, mixes = 0) => new Session(LIMITS, { heardS, mixes });

describe("Session", () => {
  it("goes on from what the server knows, and is over at its time", () => {
    const session = begin(1490, 3);
    session.heard(9.9, 0, false);
    assert.equal(session.over, null);
    session.heard(0.1, 1, false);
    assert.equal(session.over, "time");
    assert.equal(session.mixes, 3);
  });

  it("is over with one new mix more than fit, not with those heard again", () => {
    const session = begin();
    for (let at = 0; at < 12; at += 1) {
      session.heard(1, at, true);
      session.heard(1, at, false);
    }
    assert.equal(session.over, null);
    session.heard(1, 20, true);
    assert.equal(session.over, "mixes");
  });

  it("begins anew after a rest, and not before", () => {
    const session = begin(1600, 5);
    session.heard(1, 100, false);
    session.heard(1, 699.9, false);
    assert.equal(session.over, "time");
    session.heard(1, 1299.9, true);
    assert.deepEqual([session.over, session.heardS, session.mixes], [null, 1, 1]);
  });

  it("is over for a judge who comes back to a session that was", () => {
    assert.equal(begin(1500, 1).over, "time");
  });
});
