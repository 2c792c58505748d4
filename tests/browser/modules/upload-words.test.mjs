// What is said about an upload. The sentences are ours; MiB is IEC 80000-13's 2^20 bytes.

import assert from "node:assert/strict";
import { test } from "node:test";

import {
  filesWorthSending,
  Pace,
  progressWords,
  refusalBefore,
  stillUnderWayWords,
  timeLeft,
  troubleWords,
  WAITING,
} from "../../../analysis/intake/static/intake/upload-words.js";

const MEBIBYTE = 2 ** 20;

test("it says how much, how fast and how long yet", () => {
  const words = progressWords({ sentBytes: 10 * MEBIBYTE, totalBytes: 40 * MEBIBYTE, bytesPerSecond: MEBIBYTE });
  assert.equal(words, "10.0 MiB of 40.0 MiB, 1.0 MiB/s, about 30 s left");
});

test("it promises nothing while the pace is unknown", () => {
  const words = progressWords({ sentBytes: 0, totalBytes: MEBIBYTE, bytesPerSecond: null });
  assert.equal(words, "0.0 MiB of 1.0 MiB");
});

test("it says when nothing gets through", () => {
  const words = progressWords({ sentBytes: 0, totalBytes: MEBIBYTE, bytesPerSecond: 0 });
  assert.match(words, /nothing is getting through/);
});

test("it says when everything has arrived", () => {
  const words = progressWords({ sentBytes: MEBIBYTE, totalBytes: MEBIBYTE, bytesPerSecond: null });
  assert.match(words, /^All 1\.0 MiB arrived/);
});

test("times are seconds, then minutes, and never zero", () => {
  assert.deepEqual([0.2, 89, 90, 3600].map(timeLeft), ["1 s", "89 s", "2 min", "60 min"]);
});

test("the pace is that of the last ten seconds", () => {
  const pace = new Pace();
  pace.mark(0, 0);
  assert.equal(pace.bytesPerSecond, null);
  for (let second = 1; second <= 60; second += 1) {
    pace.mark(second <= 30 ? second * 100 : 3000 + (second - 30) * 10, second);
  }
  assert.equal(pace.bytesPerSecond, 10);
});

test("one of many files is told by its turn and its name", () => {
  const half = { name: "Kick.wav", sentBytes: MEBIBYTE, totalBytes: 2 * MEBIBYTE, bytesPerSecond: null };
  assert.equal(progressWords({ number: 2, count: 9, ...half }), "2 of 9: Kick.wav, 1.0 MiB of 2.0 MiB");
  assert.equal(progressWords({ number: 1, count: 1, ...half }), "Kick.wav, 1.0 MiB of 2.0 MiB");
  assert.match(progressWords({ number: 2, count: 9, ...half, sentBytes: 2 * MEBIBYTE }), /^2 of 9: Kick\.wav, all 2\.0 MiB arrived/);
});

test("of a folder the sound files go, 2 before 10, and what is hidden stays", () => {
  const files = ["10 Voice.wav", "2 Bass.FLAC", ".hidden.wav", "notes.txt", "mix.zip"].map((name) => ({ name }));
  assert.deepEqual(filesWorthSending(files).map(({ name }) => name), ["2 Bass.FLAC", "10 Voice.wav"]);
});

test("it refuses what is larger than the server takes, before a byte is sent", () => {
  const fileName = "mix.wav";
  assert.equal(refusalBefore({ bytes: 100, largestBytes: 100, fileName }), null);
  const large = { bytes: 3 * MEBIBYTE, largestBytes: 2 * MEBIBYTE, fileName };
  assert.equal(refusalBefore(large), "The file is 3.0 MiB; at most 2.0 MiB are taken. Export it as FLAC and upload that.");
  assert.equal(refusalBefore({ ...large, smaller: "" }), "The file is 3.0 MiB; at most 2.0 MiB are taken.");
  assert.match(refusalBefore({ ...large, name: fileName }), /^“mix\.wav” is 3\.0 MiB/);
  assert.match(refusalBefore({ ...large, fileName: "All.ZIP" }), /one by one/);
});

test("each kind of trouble has its own sentence", () => {
  const sentence = (status) => troubleWords({ status });
  assert.match(sentence(0), /^The line broke\. What arrived is kept/);
  assert.match(sentence(403), /no longer signed in\..*what arrived is kept/);
  assert.match(sentence(413), /larger than the server takes\..*FLAC/);
  assert.match(sentence(502), /error 502.*not your file’s fault\. Try again/);
  assert.match(troubleWords({ status: 0, isStopped: true }), /^You stopped the upload\. What arrived is kept/);
  assert.match(WAITING, /What arrived is kept; trying again/);
});

test("it says what did not happen, and is sure of it only where it can be", () => {
  const words = (status, isStopped) => troubleWords({ status, isStopped, undone: "nothing was entered" });
  assert.match(words(0, true), /^You stopped the upload, so nothing was entered\./);
  assert.match(words(403, false), /signed in, so nothing was entered\./);
  assert.match(words(0, false), /broke, so nothing was entered as far as this page can tell\./);
  assert.doesNotMatch(words(500, false), /nothing was entered/);
});

test("it says what the page says of itself, and names the file only where it is one of many", () => {
  const look = "Look at your entries first.";
  assert.match(troubleWords({ status: 500, look, still: "Your earlier entry still stands." }), /first\. Your earlier entry still stands\.$/);
  assert.match(troubleWords({ status: 0, name: "a.wav" }), /^“a\.wav”: The line broke/);
  assert.doesNotMatch(troubleWords({ status: 0 }), /earlier|“|\s$/);
});

test("an upload under way is told by its name and how far it came", () => {
  const words = stillUnderWayWords({ name: "mix.wav", size_bytes: 4 * MEBIBYTE, offset_bytes: MEBIBYTE });
  assert.equal(words, "mix.wav: 1.0 MiB of 4.0 MiB arrived.");
});
