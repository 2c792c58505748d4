import assert from "node:assert/strict";
import { test } from "node:test";

import { Choice } from "../../../academy/packs/static/packs/choice.js";

test("all are heard at first, and one that is left out is not", () => {
  const choice = new Choice(["a", "b", "c"]);
  assert.deepEqual(choice.heard(), ["a", "b", "c"]);
  choice.out("b");
  assert.deepEqual(choice.heard(), ["a", "c"]);
  choice.out("b");
  assert.deepEqual(choice.heard(), ["a", "b", "c"]);
});

test("only these wins over leave out, and ends with a second press", () => {
  const choice = new Choice(["a", "b", "c"]);
  choice.out("c");
  choice.only("c");
  choice.only("a");
  assert.deepEqual(choice.heard(), ["a", "c"]);
  assert.equal(choice.isOnly("a"), true);
  assert.equal(choice.isOut("c"), true);
  choice.only("c");
  choice.only("a");
  assert.deepEqual(choice.heard(), ["a", "b"]);
  choice.clear();
  assert.deepEqual(choice.heard(), ["a", "b", "c"]);
});
