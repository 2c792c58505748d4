// The store of segments, over a server and a decoder that the test controls.
import assert from "node:assert/strict";
import { describe, it } from "node:test";

import { SegmentStore, SegmentTrouble } from "../../../analysis/listening/static/listening/segments.js";

/** A store whose fetches wait until the test answers them. */
function storeOf(options = {}) {
  const asked = [];
  const decoded = [];
  const fetch = (address, { signal }) =>
    new Promise((resolve, reject) => {
      const answer = (status = 200, bytes = 100) =>
        resolve({ ok: status === 200, status, arrayBuffer: async () => new ArrayBuffer(bytes) });
      signal.addEventListener("abort", () => reject(signal.reason));
      asked.push({ address, signal, answer, fail: () => reject(new TypeError("no network")) });
    });
  const decode = async (bytes, key, segment) => {
    decoded.push(`${key}${segment}`);
    return { sound: `${key}${segment}`, bytes: bytes.byteLength };
  };
  const copies = ["a", "b"].map((key) => ({ key, segments_url: `/copies/${key}/` }));
  return { store: new SegmentStore({ copies, fetch, decode, ...options }), asked, decoded };
}

const settle = () => new Promise((done) => setTimeout(done, 0));
const segmentsOf = (key, count) => Array.from({ length: count }, (_, segment) => ({ key, segment }));

describe("fetching ahead", () => {
  it("asks for four at a time, in the order wished", async () => {
    const { store, asked, decoded } = storeOf();
    store.want(segmentsOf("a", 6));
    assert.deepEqual(asked.map(({ address }) => address), ["/copies/a/0", "/copies/a/1", "/copies/a/2", "/copies/a/3"]);
    asked[0].answer();
    await settle();
    assert.equal(asked.length, 5);
    assert.ok(store.has("a", 0));
    assert.deepEqual(decoded, []);
  });

  it("gives up what is no longer wanted and does not call that trouble", async () => {
    const { store, asked } = storeOf();
    let troubles = 0;
    store.addEventListener("trouble", () => (troubles += 1));
    store.want(segmentsOf("a", 2));
    store.want([{ key: "a", segment: 1 }]);
    await settle();
    assert.deepEqual(asked.map(({ signal }) => signal.aborted), [true, false]);
    assert.equal(troubles, 0);
  });

  it("lets nothing take the line's share from what presses", async () => {
    const { store, asked } = storeOf();
    store.want(segmentsOf("a", 4));
    store.want([{ key: "b", segment: 0, isPressing: true }, { key: "a", segment: 1, isPressing: true }, ...segmentsOf("a", 4)]);
    await settle();
    assert.deepEqual(asked.map(({ signal }) => signal.aborted), [true, false, true, true, false]);
    assert.equal(asked[4].address, "/copies/b/0");
    asked[1].answer();
    asked[4].answer();
    await settle();
    store.want([{ key: "b", segment: 0, isPressing: true }, ...segmentsOf("a", 4)]);
    assert.deepEqual(asked.slice(5).map(({ address }) => address), ["/copies/a/0", "/copies/a/2", "/copies/a/3"]);
  });

  it("tries at once again when the line is back", async () => {
    const { store, asked } = storeOf();
    store.want(segmentsOf("a", 1));
    asked[0].fail();
    await settle();
    store.want(segmentsOf("a", 1));
    assert.equal(asked.length, 1);
    store.hurry();
    store.want(segmentsOf("a", 1));
    assert.equal(asked.length, 2);
  });

  it("does not ask twice for what it holds or is fetching", async () => {
    const { store, asked } = storeOf();
    store.want(segmentsOf("a", 1));
    store.want(segmentsOf("a", 1));
    asked[0].answer();
    await settle();
    store.want(segmentsOf("a", 1));
    assert.equal(asked.length, 1);
  });

  it("keeps to its limit of bytes, dropping the longest unused", async () => {
    const { store, asked } = storeOf({ limitBytes: 250 });
    for (let segment = 0; segment < 4; segment += 1) {
      store.want([{ key: "a", segment }]);
      asked[segment].answer(200, 100);
      await settle();
    }
    assert.equal(store.held.bytes, 200);
    assert.deepEqual([0, 1, 2, 3].map((segment) => store.has("a", segment)), [false, false, true, true]);
  });
});

describe("loading", () => {
  it("goes ahead of the queue, decodes once, and keeps the compressed bytes whole", async () => {
    const { store, asked, decoded } = storeOf();
    store.want(segmentsOf("a", 5));
    const [first, second] = [store.load("b", 7), store.load("b", 7)];
    assert.equal(asked.at(-1).address, "/copies/b/7");
    asked.at(-1).answer(200, 64);
    assert.equal((await first).sound, "b7");
    assert.equal(await first, await second);
    assert.deepEqual(decoded, ["b7"]);
    assert.equal(store.decoded("b", 7).sound, "b7");
    assert.equal(store.held.bytes, 64);
  });

  it("keeps few sounds decoded", async () => {
    const { store, asked } = storeOf();
    for (let segment = 0; segment < 20; segment += 1) {
      const sound = store.load("a", segment);
      asked[segment].answer();
      await sound;
    }
    assert.equal(store.held.decoded, 8);
    assert.equal(store.decoded("a", 0), null);
    assert.equal(store.decoded("a", 19).sound, "a19");
  });

  it("says in words what went wrong, waits before the next try, and says when it is over", async (context) => {
    context.mock.timers.enable({ apis: ["Date"], now: 1_000_000 });
    const { store, asked } = storeOf();
    const told = [];
    store.addEventListener("trouble", ({ detail }) => told.push(detail.message));
    store.addEventListener("relief", () => told.push("relief"));

    const refused = store.load("a", 0);
    asked[0].answer(503);
    await assert.rejects(refused, SegmentTrouble);
    await assert.rejects(store.load("a", 0), SegmentTrouble);
    assert.equal(asked.length, 1);

    context.mock.timers.tick(1_001);
    const again = store.load("a", 0);
    asked[1].answer();
    assert.equal((await again).sound, "a0");
    assert.deepEqual(told, ["The server could not send the sound (status 503). It is tried again by itself.", "relief"]);
  });

  it("tells a lost connection from a copy that is not open any more", async () => {
    const { store, asked } = storeOf();
    const [lost, closed] = [store.load("a", 0), store.load("a", 1)];
    asked[0].fail();
    asked[1].answer(404);
    await assert.rejects(lost, /Check the connection/);
    await assert.rejects(closed, /not open to you any more/);
  });

  it("fetches again what could not be decoded", async (context) => {
    context.mock.timers.enable({ apis: ["Date"], now: 1_000_000 });
    let broken = true;
    const decode = async () => {
      if (broken) {
        throw new Error("not a sound");
      }
      return { sound: "whole" };
    };
    const { store, asked } = storeOf({ decode });
    const first = store.load("a", 0);
    asked[0].answer();
    await assert.rejects(first, /could not be decoded/);
    broken = false;
    context.mock.timers.tick(1_001);
    const second = store.load("a", 0);
    asked[1].answer();
    assert.equal((await second).sound, "whole");
  });
});
