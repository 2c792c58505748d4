/* Hear the stems of a pack together: <section data-stems> with its data in #stems-set.
 *
 * A table with two switches a row. All stems play all the time; what is not heard has its gain at nought, so a switch
 * is instant and keeps its place.
 */

import { gridOf } from "../listening/timeline.js";
import { storeFor } from "../listening/rates.js";
import { SumPlayer } from "./sum-player.js";
import { Choice } from "./choice.js";

const SHOW_MS = 200;

function clock(seconds) {
  const whole = Math.floor(seconds);
  return `${Math.floor(whole / 60)}:${String(whole % 60).padStart(2, "0")}`;
}

function follow(section) {
  const set = JSON.parse(section.querySelector("#stems-set").textContent);
  const find = (name) => section.querySelector(`[data-stems-${name}]`);
  const play = find("play");
  const all = find("all");
  const state = find("state");
  const place = find("place");
  const time = find("time");
  const level = find("level");
  const levelText = find("level-text");
  const rows = new Map([...section.querySelectorAll("tr[data-stem]")].map((row) => [row.dataset.stem, row]));
  const choice = new Choice(set.copies.map(({ key }) => key));
  let player = null;
  let place_s = 0;

  find("part").hidden = false;
  place.max = String(Math.floor(set.frames / set.rate_hz));

  /** Made at the first press: a browser lets no page sound before. */
  function ready() {
    if (player === null) {
      const context = new AudioContext({ sampleRate: set.rate_hz, latencyHint: "playback" });
      const store = storeFor(set, context);
      const gains = new Map(set.copies.map(({ key, gain }) => [key, gain * set.gain]));
      const counts = new Map(set.copies.map((copy) => [copy.key, copy.segment_count]));
      player = new SumPlayer({ context, store, grid: gridOf(set, context.sampleRate), gains, counts });
      player.addEventListener("state", show);
      store.addEventListener("trouble", ({ detail }) => {
        state.textContent = detail.message;
      });
      store.addEventListener("relief", show);
      player.seek(place_s);
      hear();
      setLevel();
    }
    return player;
  }

  function show() {
    const word = player?.state ?? "stopped";
    play.textContent = word === "stopped" ? "Play" : "Stop";
    state.textContent = { stopped: "", waiting: "Waiting for the sound…", playing: "Playing" }[word];
  }

  function hear() {
    player?.hear(new Set(choice.heard()));
    for (const [key, row] of rows) {
      const isHeard = choice.isHeard(key);
      const word = row.querySelector("[data-stem-heard]");
      word.textContent = isHeard ? "heard" : "not heard";
      word.className = `status ${isHeard ? "good" : "waiting"}`;
      row.querySelector("[data-stem-only]").setAttribute("aria-pressed", String(choice.isOnly(key)));
      row.querySelector("[data-stem-out]").setAttribute("aria-pressed", String(choice.isOut(key)));
    }
  }

  function setLevel() {
    const db = Number(level.value);
    player?.setLevel(10 ** (db / 20));
    levelText.textContent = `${db < 0 ? "\u2212" : ""}${Math.abs(db)} dB`;
    level.setAttribute("aria-valuetext", levelText.textContent);
  }

  function showPlace() {
    if (player !== null && document.activeElement !== place) {
      place.value = String(player.seconds);
    }
    const shown = `${clock(player?.seconds ?? place_s)} of ${clock(set.frames / set.rate_hz)}`;
    if (time.textContent !== shown) {
      time.textContent = shown;
      place.setAttribute("aria-valuetext", shown);
    }
  }

  play.addEventListener("click", () => (ready().state === "stopped" ? player.play() : player.stop()));
  all.addEventListener("click", () => {
    choice.clear();
    hear();
  });
  place.addEventListener("input", () => {
    place_s = Number(place.value);
    player?.seek(place_s);
    showPlace();
  });
  level.addEventListener("input", setLevel);
  for (const [key, row] of rows) {
    row.querySelector("[data-stem-only]").addEventListener("click", () => {
      choice.only(key);
      hear();
    });
    row.querySelector("[data-stem-out]").addEventListener("click", () => {
      choice.out(key);
      hear();
    });
  }
  window.addEventListener("pagehide", () => player?.stop());
  setInterval(showPlace, SHOW_MS);
  setLevel();
  showPlace();
  section.stemPlayer = () => ready(); // for checks of what sounds
}

for (const section of document.querySelectorAll("[data-stems]")) {
  follow(section);
}
