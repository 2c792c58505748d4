// What is said about an upload. The sentences are ours; MiB is IEC 80000-13's 2^20 bytes.

import assert from "node:assert/strict";
import { test } from "node:test";

import { Pace, progressWords, refusalBefore, stopWords, timeLeft, troubleWords, uploadWords, waitingWords } from "../../../contests/static/contests/upload-words.js";

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

test("it refuses what is larger than the server takes, before a byte is sent", () => {
  assert.equal(refusalBefore({ bytes: 100, largestBytes: 100 }), null);
  assert.match(refusalBefore({ bytes: 3 * MEBIBYTE, largestBytes: 2 * MEBIBYTE }), /3\.0 MiB; at most 2\.0 MiB.*FLAC/);
});

test("it speaks of an earlier entry only where there is one", () => {
  for (const words of [stopWords, ({ earlierStands }) => troubleWords({ status: 0, earlierStands })]) {
    assert.match(words({ earlierStands: true }), /earlier entry still stands\.$/);
    assert.doesNotMatch(words({ earlierStands: false }), /earlier entry/);
  }
});

test("each kind of trouble has its own sentence", () => {
  const sentence = (status) => troubleWords({ status, earlierStands: false });
  assert.match(sentence(0), /line broke.*What arrived is kept/);
  assert.match(sentence(403), /no longer signed in.*what arrived is kept/);
  assert.match(sentence(413), /larger than the server takes/);
  assert.match(sentence(502), /error 502.*not your file’s fault/);
});

test("whoever stops or waits is told that nothing is lost", () => {
  assert.match(stopWords({ earlierStands: false }), /What arrived is kept/);
  assert.match(waitingWords(), /What arrived is kept; trying again/);
});

test("an upload under way is told by its name and how far it came", () => {
  const words = uploadWords({ name: "mix.wav", size_bytes: 4 * MEBIBYTE, offset_bytes: MEBIBYTE });
  assert.equal(words, "mix.wav: 1.0 MiB of 4.0 MiB arrived.");
});
