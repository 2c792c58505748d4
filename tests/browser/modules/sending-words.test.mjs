import assert from "node:assert/strict";
import { test } from "node:test";

import {
  filesWorthSending,
  progressWords,
  refusalBefore,
  troubleWords,
} from "../../../academy/packs/static/packs/sending-words.js";

const MEBIBYTE = 1024 ** 2;

test("of a folder the sound files go, 2 before 10, and what is hidden stays", () => {
  const files = ["10 Voice.wav", "2 Bass.FLAC", ".hidden.wav", "notes.txt", "mix.zip"].map((name) => ({ name }));
  assert.deepEqual(filesWorthSending(files).map(({ name }) => name), ["2 Bass.FLAC", "10 Voice.wav"]);
});

test("progress names the file and its turn", () => {
  const half = { name: "Kick.wav", sentBytes: MEBIBYTE, totalBytes: 2 * MEBIBYTE };
  assert.equal(progressWords({ number: 2, count: 9, ...half }), "2 of 9: Kick.wav, 1.0 MiB of 2.0 MiB");
  assert.equal(progressWords({ number: 1, count: 1, ...half }), "Kick.wav, 1.0 MiB of 2.0 MiB");
  assert.match(progressWords({ number: 1, count: 1, ...half, sentBytes: 2 * MEBIBYTE }), /is being looked at/);
});

test("a file of 5 GB is refused before a byte is sent, with advice that fits it", () => {
  const large = { bytes: 5e9, largestBytes: 1024 * MEBIBYTE };
  assert.match(refusalBefore({ ...large, name: "Room.wav" }), /4768\.4 MiB; at most 1024\.0 MiB.*as FLAC\.$/);
  assert.match(refusalBefore({ ...large, name: "All.zip" }), /one by one/);
  assert.equal(refusalBefore({ ...large, bytes: 1024 * MEBIBYTE, name: "Room.wav" }), null);
});

test("trouble says what is kept", () => {
  assert.match(troubleWords({ name: "a.wav", status: 0, isStopped: false }), /What arrived is kept/);
  assert.match(troubleWords({ name: "a.wav", status: 0, isStopped: true }), /you stopped it/);
  assert.match(troubleWords({ name: "a.wav", status: 403, isStopped: false }), /Sign in/);
  assert.match(troubleWords({ name: "a.wav", status: 500, isStopped: false }), /not your file/);
});
