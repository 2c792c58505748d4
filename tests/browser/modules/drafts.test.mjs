import assert from "node:assert/strict";
import { describe, it } from "node:test";

import { Draft, same } from "../../../contests/static/contests/drafts.js";

/** A draft with a server that answers from a list, a store, and timers that the test fires. */
function setUp(answers, { left = null } = {}) {
  const kept = new Map(left === null ? [] : [["sheet c", JSON.stringify(left)]]);
  const scene = { kept, sent: [], told: [], timers: new Map(), waits: [] };
  scene.draft = new Draft({
    code: "c",
    revision: "",
    send: async (fields) => {
      scene.sent.push(fields);
      const answer = answers.shift();
      if (answer === undefined) {
        throw new Error("the line is down");
      }
      return typeof answer === "function" ? answer(fields) : answer;
    },
    store: {
      getItem: (key) => kept.get(key) ?? null,
      setItem: (key, value) => kept.set(key, value),
      removeItem: (key) => kept.delete(key),
    },
    later: (act, ms) => {
      scene.waits.push(ms);
      scene.timers.set(scene.waits.length, act);
      return scene.waits.length;
    },
    never: (timer) => scene.timers.delete(timer),
    tell: (condition) => scene.told.push(condition),
  });
  return scene;
}

const saved = (revision) => ({ status: 200, body: { revision } });

describe("Draft", () => {
  it("keeps what is typed before it is sent, and lets it go once it is saved", async () => {
    const { draft, kept, sent, told, timers } = setUp([saved("1")]);
    draft.type({ comment: "a" });
    assert.equal(kept.get("sheet c"), '{"comment":"a"}');
    assert.equal(sent.length, 0);
    assert.equal(timers.size, 1);
    assert.equal(await draft.flush(), true);
    assert.deepEqual(sent, [{ comment: "a", based_on: "" }]);
    assert.equal(kept.size, 0);
    assert.equal(draft.isUnsaved, false);
    assert.deepEqual(told, ["typing", "saving", "saved"]);
    assert.equal(draft.revision, "1");
  });

  it("sends once for many letters", () => {
    const { draft, timers } = setUp([]);
    for (const text of ["a", "ab", "abc"]) {
      draft.type({ comment: text });
    }
    assert.equal(timers.size, 1);
  });

  it("sends what was typed while it was sending, on top of the new revision", async () => {
    const scene = setUp([
      () => {
        scene.draft.type({ comment: "ab" });
        return saved("1");
      },
      saved("2"),
    ]);
    scene.draft.type({ comment: "a" });
    assert.equal(await scene.draft.flush(), true);
    assert.deepEqual(scene.sent, [
      { comment: "a", based_on: "" },
      { comment: "ab", based_on: "1" },
    ]);
    assert.equal(scene.kept.size, 0);
  });

  it("never has two messages under way", async () => {
    const { draft, sent } = setUp([saved("1")]);
    draft.type({ comment: "a" });
    await Promise.all([draft.flush(), draft.flush(), draft.flush()]);
    assert.equal(sent.length, 1);
  });

  it("keeps the words and tries again, ever more rarely, while the line is down", async () => {
    const { draft, kept, waits, told } = setUp([]);
    draft.type({ comment: "a" });
    for (let turn = 0; turn < 8; turn += 1) {
      assert.equal(await draft.flush(), false);
    }
    assert.equal(kept.get("sheet c"), '{"comment":"a"}');
    assert.deepEqual(waits.slice(1), [2000, 4000, 8000, 16000, 32000, 60000, 60000, 60000]);
    assert.equal(told.at(-1), "waiting");
  });

  it("takes a server in trouble for a line that is down", async () => {
    for (const status of [500, 502, 503, 429]) {
      const { draft, told, timers } = setUp([{ status, body: {} }]);
      draft.type({ comment: "a" });
      assert.equal(await draft.flush(), false);
      assert.equal(told.at(-1), "waiting");
      assert.equal(timers.size, 1);
    }
  });

  it("does not go on asking where that is no use", async () => {
    for (const [status, condition] of [
      [401, "signed out"],
      [403, "signed out"],
      [404, "gone"],
      [422, "refused"],
      [413, "refused"],
    ]) {
      const { draft, told, timers, kept } = setUp([{ status, body: {} }]);
      draft.type({ comment: "a" });
      assert.equal(await draft.flush(), false);
      assert.equal(told.at(-1), condition);
      assert.equal(timers.size, 0);
      assert.equal(kept.size, 1);
    }
  });

  it("knows its own words again when only the answer was lost", async () => {
    const { draft, sent, told } = setUp([
      () => {
        throw new Error("lost on the way back");
      },
      { status: 409, body: { revision: "1", fields: { comment: "a", "score-1": "7" } } },
      saved("2"),
    ]);
    draft.type({ comment: "a", "score-1": "7.0" });
    await draft.flush();
    draft.type({ comment: "ab", "score-1": "7.0" });
    assert.equal(await draft.flush(), true);
    assert.equal(sent.at(-1).based_on, "1");
    assert.ok(!told.includes("elsewhere"));
  });

  it("asks the judge when another window wrote, and sends nothing meanwhile", async () => {
    const { draft, sent, told, timers } = setUp([{ status: 409, body: { revision: "5", fields: { comment: "b" } } }, saved("6")]);
    draft.type({ comment: "a" });
    assert.equal(await draft.flush(), false);
    assert.equal(told.at(-1), "elsewhere");
    draft.type({ comment: "aa" });
    assert.equal(timers.size, 0);
    assert.equal(await draft.flush(), false);
    assert.equal(sent.length, 1);
    assert.equal(await draft.keepMine(), true);
    assert.deepEqual(sent.at(-1), { comment: "aa", based_on: "5" });
  });

  it("can take the other window's words", async () => {
    const { draft, kept } = setUp([{ status: 409, body: { revision: "5", fields: { comment: "b" } } }]);
    draft.type({ comment: "a" });
    await draft.flush();
    assert.deepEqual(draft.takeTheirs(), { comment: "b" });
    assert.equal(kept.size, 0);
    assert.equal(draft.revision, "5");
    assert.equal(await draft.flush(), true);
  });

  it("finds what an earlier visit left, and nothing in a store full of something else", () => {
    assert.deepEqual(setUp([], { left: { comment: "a" } }).draft.left(), { comment: "a" });
    const { draft, kept } = setUp([]);
    assert.equal(draft.left(), null);
    kept.set("sheet c", "{broken");
    assert.equal(draft.left(), null);
  });

  it("works where nothing may be stored", async () => {
    const fail = () => {
      throw new Error("forbidden");
    };
    const told = [];
    const draft = new Draft({
      code: "c",
      revision: "",
      send: async () => saved("1"),
      store: { getItem: fail, setItem: fail, removeItem: fail },
      later: () => 1,
      never() {},
      tell: (condition) => told.push(condition),
    });
    assert.equal(draft.left(), null);
    draft.type({ comment: "a" });
    assert.equal(await draft.flush(), true);
    assert.equal(told.at(-1), "saved");
  });
});

describe("same", () => {
  it("takes scores by value and words by letter", () => {
    assert.ok(same({ "score-1": "7.0", comment: "a" }, { "score-1": "7", comment: "a", private_note: "x" }));
    assert.ok(!same({ comment: "7.0" }, { comment: "7" }));
    assert.ok(!same({ "score-1": "" }, { "score-1": "0" }));
    assert.ok(!same({ "score-1": "7.5" }, { "score-1": "7" }));
  });

  it("counts timed notes: one more on either side is another version", () => {
    const one = { notes: "all", "note-text-1": "a" };
    assert.ok(same(one, { ...one, comment: "x" }));
    assert.ok(!same(one, { ...one, "note-text-2": "b" }));
    assert.ok(!same({ ...one, "note-text-2": "b" }, one));
  });
});
