// What the booth keeps in the browser: keys, places, what was heard, when to rest. A Map stands in for the browser's store.
import assert from "node:assert/strict";
import { describe, it } from "node:test";

import { ACTS, Keys } from "../../../analysis/listening/static/listening/keys.js";
import { Memory } from "../../../analysis/listening/static/listening/memory.js";
import { Rest } from "../../../analysis/listening/static/listening/rest.js";

/** Like localStorage: its own enumerable names are the stored ones. */
function storeWith(items = {}) {
  const methods = {
    getItem(name) {
      return Object.hasOwn(this, name) ? this[name] : null;
    },
    setItem(name, value) {
      this[name] = String(value);
    },
    removeItem(name) {
      delete this[name];
    },
  };
  return Object.assign(Object.create(methods), items);
}

const full = {
  getItem: () => null,
  setItem() {
    throw new Error("full");
  },
};

describe("keys", () => {
  it("are one to an act, and none that a browser or a screen reader needs", () => {
    // The keys of WAI-ARIA's Authoring Practices (tab, arrows, enter, space, escape, home, end, paging) have names longer
    // than one letter but for the space; "/" and "'" open a search in a browser; letters belong to the copies.
    const keys = ACTS.map(({ key }) => key);
    assert.equal(new Set(keys).size, keys.length);
    for (const key of keys) {
      assert.match(key, /^[^\sa-z/']$/);
    }
  });

  it("can be changed, and are as chosen at the next visit", () => {
    const store = storeWith();
    assert.equal(new Keys(store).change("play", "P"), null);
    const later = new Keys(store);
    assert.equal(later.of("play"), "p");
    assert.equal(later.actOf("P"), "play");
    assert.equal(later.actOf("1"), null);
  });

  it("cannot be a key that browsers need, nor one that is taken", () => {
    const keys = new Keys(storeWith());
    for (const key of [" ", "/", "'", "Tab", "Enter", "Escape", "ArrowLeft", "F5", "Home", "Shift", ""]) {
      assert.match(keys.change("play", key), /need that key/);
    }
    assert.match(keys.change("play", "2"), /taken: Back by 5 s/);
    assert.equal(keys.of("play"), "1");
    assert.equal(keys.change("play", "1"), null);
  });

  it("go back to the first ones, still switched off if they were", () => {
    const store = storeWith();
    const keys = new Keys(store);
    keys.change("play", "p");
    keys.areOn = false;
    keys.putBack();
    assert.equal(new Keys(store).of("play"), "1");
    assert.equal(new Keys(store).areOn, false);
  });

  it("are the first ones when what was kept makes no sense, or nothing can be kept", () => {
    for (const kept of ["{", "null", '{"keys":{"play":7,"fly":"x","on":"ab"}}']) {
      assert.equal(new Keys(storeWith({ "booth keys": kept })).of("play"), "1");
    }
    const keys = new Keys(full);
    assert.equal(keys.change("play", "p"), null);
    assert.equal(keys.of("play"), "p");
  });
});

const SET = { name: "/lesson/", keys: ["a", "b"], length_s: 60 };

describe("the memory of a set", () => {
  it("is the same at the next visit", () => {
    const store = storeWith();
    const memory = new Memory({ store, ...SET });
    memory.hear("a", [0, 4]);
    memory.hear("a", [3, 9]);
    memory.leave("a", 9);
    memory.mark(30);
    memory.mark(12.5);
    memory.mark(30);
    memory.few = ["b"];
    memory.keep();
    const later = new Memory({ store, ...SET });
    assert.deepEqual(later.heard("a"), [[0, 9]]);
    assert.deepEqual(later.heard("b"), []);
    assert.equal(later.left("a"), 9);
    assert.equal(later.left("b"), null);
    assert.deepEqual(later.marks, [12.5, 30]);
    assert.deepEqual(later.few, ["b"]);
    assert.deepEqual(new Memory({ store, ...SET, name: "/another/" }).marks, []);
  });

  it("forgets copies that are not there any more, and places past the end", () => {
    const kept = { heard: { a: [[0, 5]], z: [[0, 5]] }, left: { a: 70, z: 1 }, marks: [70, 3], few: ["z", "a"] };
    const memory = new Memory({ store: storeWith({ "booth set /lesson/": JSON.stringify(kept) }), ...SET });
    assert.deepEqual(memory.heard("z"), []);
    assert.equal(memory.left("a"), null);
    assert.deepEqual(memory.marks, [3]);
    assert.deepEqual(memory.few, ["a"]);
  });

  it("begins empty when what was kept makes no sense", () => {
    for (const kept of ["{", "7", '{"heard":{"a":7},"left":{"a":"x"},"marks":{},"few":1}', '{"heard":{"a":[[1],"x",[2,null]]}}']) {
      const memory = new Memory({ store: storeWith({ "booth set /lesson/": kept }), ...SET });
      assert.deepEqual([memory.heard("a"), memory.left("a"), memory.marks, memory.few], [[], null, [], []]);
    }
  });

  it("keeps thirty sets, and lets the oldest go", () => {
    const store = storeWith({ "something else": "1" });
    for (let n = 1; n <= 32; n += 1) {
      new Memory({ store, ...SET, name: `/${n}/` }).keep(n);
    }
    const names = Object.keys(store);
    assert.equal(names.length, 31);
    assert.ok(names.includes("something else"));
    assert.ok(!names.includes("booth set /2/"));
    assert.ok(names.includes("booth set /3/"));
  });
});

describe("rest", () => {
  it("is due once so many minutes have come together, and then anew", () => {
    const rest = new Rest(storeWith(), 25);
    const due = [];
    for (let second = 1; second <= 55 * 60; second += 1) {
      if (rest.listened(1, second)) {
        due.push(second / 60);
      }
    }
    assert.deepEqual(due, [25, 50]);
  });

  it("counts on from page to page", () => {
    const store = storeWith();
    assert.equal(new Rest(store, 25).listened(20 * 60, 0), false);
    assert.equal(new Rest(store, 25).listened(5 * 60, 300), true);
  });

  it("begins anew after a pause of ten minutes", () => {
    const rest = new Rest(storeWith(), 25);
    rest.listened(24 * 60, 0);
    assert.equal(rest.listened(60, 600), false);
    assert.equal(rest.listened(24 * 60, 700), true);
  });

  it("comes when the listener wants it, within five minutes and two hours", () => {
    const store = storeWith();
    const rest = new Rest(store, 25);
    for (const [asked, given] of [[10, 10], [1, 5], [500, 120], [NaN, 120]]) {
      rest.after_min = asked;
      assert.equal(rest.after_min, given);
    }
    assert.equal(new Rest(store, 25).after_min, 120);
  });

  it("works where nothing can be kept", () => {
    const rest = new Rest(full, 5);
    assert.equal(rest.listened(299, 0), false);
    assert.equal(rest.listened(1, 1), true);
  });
});
