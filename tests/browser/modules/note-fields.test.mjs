import assert from "node:assert/strict";
import { describe, it } from "node:test";

import { fieldsOfNotes, notesOfFields, troubleOfTimes } from "../../../analysis/listening/static/listening/note-fields.js";
import { secondsOf, timeText } from "../../../analysis/listening/static/listening/words.js";

const note = (start, text, end = "", to = "") => ({ start, end, text, to });

describe("secondsOf", () => {
  it("reads what timeText writes", () => {
    for (const seconds of [0, 0.1, 59.9, 60, 62.5, 3599.9, 3600]) {
      assert.equal(secondsOf(timeText(seconds)), seconds);
    }
  });

  it("takes hours and spaces about it, and no other thing", () => {
    assert.equal(secondsOf(" 1:02:03.5 "), 3723.5);
    for (const text of ["", "62", "1:60", "-0:01", "1:2:3:4", "0:1e1", "١:٠٢", "0:01x"]) {
      assert.equal(secondsOf(text), null, text);
    }
  });
});

describe("fieldsOfNotes", () => {
  it("numbers what has words in order of time", () => {
    assert.deepEqual(fieldsOfNotes([note("1:00", "b", "1:10", "entrant"), note("0:30", "  "), note("0:09.5", "a")]), {
      notes: "all",
      "note-start-1": "0:09.5",
      "note-end-1": "",
      "note-text-1": "a",
      "note-to-1": "",
      "note-start-2": "1:00",
      "note-end-2": "1:10",
      "note-text-2": "b",
      "note-to-2": "entrant",
    });
  });

  it("is read back as it was, and none are none", () => {
    const notes = [note("0:09.5", "a"), note("1:00", "b", "1:10", "entrant")];
    assert.deepEqual(notesOfFields({ ...fieldsOfNotes(notes), comment: "x" }), notes);
    assert.deepEqual(notesOfFields(fieldsOfNotes([])), []);
    assert.deepEqual(notesOfFields({}), []);
  });

  it("leaves the list that it is given as it was", () => {
    const notes = [note("1:00", "b"), note("0:09.5", "a")];
    fieldsOfNotes(notes);
    assert.deepEqual(notes.map(({ text }) => text), ["b", "a"]);
  });
});

describe("troubleOfTimes", () => {
  it("finds none in a moment and a stretch", () => {
    assert.deepEqual(troubleOfTimes("0:10", ""), { start: "", end: "" });
    assert.deepEqual(troubleOfTimes("0:10", "0:10.1"), { start: "", end: "" });
  });

  it("says which time cannot be, and why", () => {
    assert.match(troubleOfTimes("", "").start, /Write the time/);
    assert.match(troubleOfTimes("0:10", "later").end, /Write the time/);
    assert.match(troubleOfTimes("0:10", "0:10").end, /ends before it starts/);
  });
});
