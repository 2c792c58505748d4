/** Puts the real player on a bench: a recorder in place of the loudspeaker, and a log of what the player says it does. */
import { Player } from "/static/listening/player.js";
import { storeFor } from "/static/listening/rates.js";
import { Recording } from "/static/listening/recording.js";
import { gridOf } from "/static/listening/timeline.js";

const bench = {
  /** Build a player over a set; `rateHz` is the context's rate. Without a record it plays to the device. */
  async open(set, rateHz, { records = true } = {}) {
    const context = new AudioContext({ sampleRate: rateHz });
    const recording = records ? await Recording.start(context, "/static/listening/recorder.js") : { node: context.destination };
    const store = storeFor(set, context);
    const grid = gridOf(set, context.sampleRate);
    const keys = set.copies.map((copy) => copy.key);
    const player = new Player({ context, output: recording.node, grid, keys, store });
    const log = { run: [], copy: [], state: [], wish: [], heard: [], late: [] };
    for (const [name, events] of Object.entries(log)) {
      player.addEventListener(name, ({ detail }) => events.push({ ...detail, now: bench.now() }));
    }
    Object.assign(bench, { context, recording, store, grid, player, log });
    await context.resume();
    player.prepare();
    return { rateHz: context.sampleRate, baseLatency: context.baseLatency, outputLatency: context.outputLatency };
  },

  now() {
    return Math.round(bench.context.currentTime * bench.context.sampleRate);
  },

  wait(ms) {
    return new Promise((done) => setTimeout(done, ms));
  },

  /** Wait until a condition on the bench holds. */
  async until(condition, limitMs = 20000) {
    const began = performance.now();
    while (!condition(bench)) {
      if (performance.now() - began > limitMs) {
        throw new Error(`waited ${limitMs} ms for ${condition}`);
      }
      await bench.wait(5);
    }
  },

  /** Switch to a copy and say how many frames pass from the press to the change-over. */
  async switchTo(key) {
    const pressed = bench.now();
    const before = bench.log.copy.length;
    bench.player.choose(key);
    await bench.until(() => bench.log.copy.length > before);
    return bench.log.copy.at(-1).contextFrame - pressed;
  },

  /** The record as base64 of float32, left then right, with its first frame. */
  record() {
    const { first, channels, lost } = bench.recording.sound;
    return { first, lost, left: base64Of(channels[0]), right: base64Of(channels[1]) };
  },
};

function base64Of(samples) {
  const bytes = new Uint8Array(samples.buffer);
  let text = "";
  for (let at = 0; at < bytes.length; at += 32768) {
    text += String.fromCharCode(...bytes.subarray(at, at + 32768));
  }
  return btoa(text);
}

window.bench = bench;
