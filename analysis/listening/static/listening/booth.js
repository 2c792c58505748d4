import { CopyRow } from "./copy-row.js";
import { buttonOf, spanOf } from "./elements.js";
import { KeyPanel } from "./key-panel.js";
import { Keys } from "./keys.js";
import { BoothMap } from "./map.js";
import { Memory, storeOf } from "./memory.js";
import { Player } from "./player.js";
import { storeFor } from "./rates.js";
import { Rest } from "./rest.js";
import { lengthOf, placeAfter, placeBefore } from "./spans.js";
import { frameOf, gridOf, loopOf } from "./timeline.js";
import { gainText, heardText, rateText, timeText } from "./words.js";

/**
 * The booth on the page: buttons, slider and keys around a player.
 *
 * The page finds: `booth:copy` `{ key }` when another copy is chosen and heard, `booth:heard` `{ key, seconds }` about
 * once a second while one is, and `booth:note` `{ key, seconds }` where the listener wants to write a note, if the booth has
 * `data-booth-notes`; also `booth:rest` `{ minutes }` when a rest is due, which a page that says so itself cancels. The page may send `booth:choose` `{ key }`.
 */

const SEEK_S = 5;
const FIRST_GAIN_DB = -20;
const GAIN_RAMP_S = 0.05;
const HEARD_EVERY_S = 1;
const KEEP_EVERY_S = 5;
const REST_AFTER_MIN = 25;

/** A booth as wide as this opens with its sections, marks and loop in sight; elsewhere they are one press away. */
const ROOMY_PX = 640;

/** A place passed less long ago than this is where the listener is: going back leads to the one before. */
const JUST_PASSED_S = 1;
const HERE_S = 0.05;

const STATE_WORDS = {
  stopped: ["■", "Stopped"],
  waiting: ["○", "Waiting for sound"],
  playing: ["▶", "Playing"],
};

/** The booth that was used last: the one that the keys belong to. */
let latest = null;

/** One `[data-booth]` element and the player behind it. */
class Booth {
  #root;
  #set;
  #keys; // of the keyboard
  #panel;
  #row;
  #map;
  #memory;
  #rest;
  #grid;
  #context = null;
  #player = null;
  #gain = null;
  #noiseOn = false;
  #noise = null; // the source that plays, or null
  #noiseSound = null; // a promise of the decoded loop
  #ends = { from: null, to: null }; // of a loop that is being marked
  #told = new Map(); // key -> seconds last told to the page
  #firstKey = null;
  #shownKey = null;
  #lastKey = null; // the copy heard before the one shown
  #keptAt_s = 0;

  constructor(root, set) {
    const store = storeOf(window);
    this.#root = root;
    this.#set = set;
    this.#grid = gridOf(set);
    this.#keys = new Keys(store);
    this.#memory = new Memory({
      store,
      name: window.location.pathname + window.location.search,
      keys: set.copies.map((copy) => copy.key),
      length_s: this.#length,
    });
    this.#rest = new Rest(store, set.rest_after_min ?? REST_AFTER_MIN);
    this.#build();
    this.#panel = new KeyPanel(root, this.#keys);
    this.#bind();
  }

  #part(name) {
    return this.#root.querySelector(`[data-booth-${name}]`);
  }

  #button(act) {
    return this.#root.querySelector(`[data-booth-do="${act}"]`);
  }

  get #length() {
    return this.#grid.frames / this.#grid.rateHz;
  }

  #build() {
    this.#row = new CopyRow({
      row: this.#part("copies"),
      abouts: this.#part("abouts"),
      copies: this.#set.copies,
      length_s: this.#length,
      choose: (key) => this.#choose(key),
      pick: (keys) => this.#compare(keys),
    });
    this.#map = new BoothMap(this.#part("map"), this.#length);
    this.#part("sections").replaceChildren(
      ...this.#set.sections.map((section) => {
        const button = buttonOf(section.name, { place: section.start_s });
        button.append(" ", spanOf("booth-time", timeText(section.start_s)));
        return button;
      }),
    );
    this.#part("section-line").hidden = this.#set.sections.length === 0;
    this.#part("seek").max = String(this.#length);
    this.#part("length").textContent = timeText(this.#length);
    this.#part("seek").setAttribute("aria-valuetext", `${timeText(0)} of ${timeText(this.#length)}`);
    this.#part("gain").value = String(FIRST_GAIN_DB);
    this.#part("rest-after").value = String(this.#rest.after_min);
    this.#button("noise").hidden = !this.#set.noise_url;
    this.#set.copies.forEach(({ key }) => this.#showHeard(key));
    this.#row.showFew(this.#memory.few);
    this.#showMarks();
    this.#showFew();
    this.#showGain();
    this.#showCopy();
    this.#showLoop();
    this.#showState("stopped");
  }

  #bind() {
    const on = (name, event, act) => this.#part(name).addEventListener(event, act);
    on("ready", "click", () => this.#open());
    on("seek", "input", (event) => this.#seekTo(Number(event.target.value)));
    on("map", "click", (event) => this.#seekTo(this.#map.placeOf(event)));
    on("gain", "input", () => this.#showGain());
    on("sections", "click", (event) => this.#goTo(event.target.closest("button")));
    on("marks", "click", (event) => this.#goTo(event.target.closest("button")));
    on("picking", "click", () => this.#pickOrNot());
    on("all", "click", () => {
      this.#compare([]);
      this.#part("picking").focus(); // this button has just been hidden under the focus
    });
    on("rest-after", "change", (event) => {
      this.#rest.after_min = event.target.valueAsNumber;
      event.target.value = String(this.#rest.after_min);
    });
    on("rest-done", "click", () => {
      this.#part("rest").hidden = true;
      this.#button("play").focus();
    });
    this.#root.addEventListener("click", (event) => {
      const act = event.target.closest("[data-booth-do]")?.dataset.boothDo;
      if (act !== undefined) {
        this.#do(act);
      }
    });
    this.#root.addEventListener("booth:choose", (event) => this.#choose(event.detail?.key));
    this.#root.addEventListener("click", () => this.#say(""), { capture: true }); // what was said has been read
    this.#root.addEventListener("focusin", () => (latest = this));
    document.addEventListener("keydown", (event) => this.#key(event));
    window.addEventListener("pagehide", () => {
      this.#player?.pause();
      this.#stopNoise();
      this.#leave(this.#player?.key, this.#position);
    });
    window.addEventListener("offline", () => this.#showLine(false));
    window.addEventListener("online", () => this.#showLine(true));
  }

  /** The listener has read the caution: make the audio context, which needs this gesture. */
  #open() {
    this.#part("caution").hidden = true;
    this.#part("desk").hidden = false;
    this.#context = contextAt(this.#set.rate_hz);
    this.#grid = gridOf(this.#set, this.#context.sampleRate);
    this.#gain = new GainNode(this.#context, { gain: amplitude(FIRST_GAIN_DB) });
    this.#gain.connect(this.#context.destination);
    if (this.#context.sampleRate !== this.#set.rate_hz) {
      this.#part("rate").textContent =
        `This browser plays at ${rateText(this.#context.sampleRate)}; the copies are ${rateText(this.#set.rate_hz)}. ` +
        "They are converted while playing, without gaps; for an exact hearing set the sound device to " +
        `${rateText(this.#set.rate_hz)} and reload the page.`;
      this.#part("rate").hidden = false;
    }
    const store = storeFor(this.#set, this.#context);
    store.addEventListener("trouble", (event) => this.#say(event.detail.message));
    store.addEventListener("relief", () => this.#say(""));
    window.addEventListener("online", () => {
      store.hurry();
      this.#player.prepare();
    });
    this.#player = new Player({
      context: this.#context,
      output: this.#gain,
      grid: this.#grid,
      keys: this.#set.copies.map((copy) => copy.key),
      store,
    });
    this.#player.few = this.#memory.few;
    this.#player.addEventListener("state", (event) => this.#showState(event.detail.state));
    this.#player.addEventListener("copy", (event) => this.#changed(event.detail.key));
    this.#player.addEventListener("wish", (event) => this.#row.showWish(event.detail.key));
    this.#player.addEventListener("heard", (event) => this.#heard(event.detail));
    this.#part("places").open = this.#root.clientWidth >= ROOMY_PX;
    this.#player.choose(this.#firstKey ?? this.#player.key);
    this.#player.prepare();
    this.#showCopy();
    this.#button("play").focus();
  }

  /** Everything that has a key. */
  #do(act) {
    const acts = {
      play: () => this.#playOrPause(),
      back: () => this.#seekTo(this.#position - SEEK_S),
      on: () => this.#seekTo(this.#position + SEEK_S),
      "place-before": () => this.#seekTo(placeBefore(this.#places, this.#position, JUST_PASSED_S) ?? 0),
      "place-after": () => this.#goToNextPlace(),
      "place-left": () => this.#goToWhereLeft(),
      "copy-before": () => this.#step(-1),
      "copy-after": () => this.#step(1),
      "copy-last": () => this.#choose(this.#lastKey ?? undefined),
      mark: () => this.#markHere(),
      "loop-section": () => this.#loopSection(),
      "loop-from": () => this.#markEnd("from"),
      "loop-to": () => this.#markEnd("to"),
      "loop-off": () => this.#endLoop(),
      pick: () => this.#pickThis(),
      note: () => this.#tell("booth:note", { key: this.#player.key, seconds: this.#position }),
      noise: () => this.#noiseOnOrOff(),
    };
    if (this.#player !== null) {
      acts[act]();
    }
  }

  async #playOrPause() {
    if (this.#player.state !== "stopped") {
      this.#player.pause();
      return;
    }
    this.#stopNoise();
    await this.#context.resume();
    this.#player.play();
  }

  // Copies

  /** A page may choose before the listener is ready; then that copy comes first. */
  #choose(key) {
    if (this.#player === null) {
      this.#firstKey = key ?? null;
    } else if (key !== undefined && this.#set.copies.some((copy) => copy.key === key)) {
      if (key !== this.#player.key) {
        this.#leave(this.#player.key, this.#position);
      }
      this.#player.choose(key);
    }
  }

  #changed(key) {
    this.#lastKey = this.#shownKey;
    this.#showCopy();
    this.#say(this.#heardWords(key));
    this.#tell("booth:copy", { key });
  }

  /** The copies that are compared: the few, or all. */
  get #compared() {
    const few = this.#memory.few;
    return this.#set.copies.map(({ key }) => key).filter((key) => few.length === 0 || few.includes(key));
  }

  /** To the next of the compared copies in the order of the page, or the one before, round the ends. */
  #step(by) {
    const all = this.#set.copies.map(({ key }) => key);
    const compared = this.#compared;
    let at = all.indexOf(this.#player.key);
    do {
      at = (at + by + all.length) % all.length;
    } while (!compared.includes(all[at]));
    this.#choose(all[at]);
  }

  #pickOrNot() {
    this.#row.isPicking = !this.#row.isPicking;
    this.#showFew();
  }

  #pickThis() {
    const { few } = this.#memory;
    const key = this.#player.key;
    this.#compare(few.includes(key) ? few.filter((one) => one !== key) : [...few, key]);
  }

  #compare(keys) {
    this.#memory.few = keys;
    this.#memory.keep();
    if (this.#player !== null) {
      this.#player.few = keys;
    }
    this.#row.showFew(keys);
    this.#showFew();
    this.#say(keys.length === 0 ? "All copies are compared." : `Compared: ${this.#labels(this.#compared)}.`);
  }

  #labels(keys) {
    return keys.map((key) => this.#set.copies.find((copy) => copy.key === key).label).join(", ");
  }

  // Places

  #seekTo(seconds) {
    this.#player?.seek(frameOf(this.#grid, seconds));
    this.#showPosition();
  }

  #seconds(frames) {
    return frames / this.#grid.rateHz;
  }

  get #position() {
    return this.#seconds(this.#player?.frame ?? 0);
  }

  /** Where sections and marks are, in seconds, in order. */
  get #places() {
    return [...this.#set.sections.map((section) => section.start_s), ...this.#memory.marks].sort((a, b) => a - b);
  }

  #goTo(button) {
    if (button?.dataset.place !== undefined) {
      this.#seekTo(Number(button.dataset.place));
    } else if (button?.dataset.unmark !== undefined) {
      this.#memory.unmark(Number(button.dataset.unmark));
      this.#memory.keep();
      this.#showMarks();
      this.#button("mark").focus(); // the button that was pressed is gone
    }
  }

  #goToNextPlace() {
    const place = placeAfter(this.#places, this.#position, HERE_S);
    if (place === null) {
      this.#say("There is no section or mark after this place.");
    } else {
      this.#seekTo(place);
    }
  }

  #goToWhereLeft() {
    const place = this.#memory.left(this.#player.key);
    if (place === null) {
      this.#say("You have not left this copy before.");
    } else {
      this.#seekTo(place);
      this.#say(`Back at ${timeText(place)}.`);
    }
  }

  /** Remember where a copy was left, if any of it was heard. */
  #leave(key, place_s) {
    if (key !== undefined && this.#memory.heard(key).length > 0) {
      this.#memory.leave(key, round(place_s));
      this.#memory.keep();
    }
  }

  #markHere() {
    const place = round(this.#position);
    this.#memory.mark(place);
    this.#memory.keep();
    this.#showMarks();
    this.#say(`Marked at ${timeText(place)}.`);
  }

  #loopSection() {
    const places = [0, ...this.#places];
    const from = places.findLast((place) => place <= this.#position + HERE_S);
    const to = placeAfter(places, Math.max(from, this.#position), HERE_S) ?? this.#length;
    this.#loopBetween(from, to);
  }

  #markEnd(side) {
    this.#ends[side] = this.#position;
    const { from, to } = this.#ends;
    if (from !== null && to !== null) {
      this.#loopBetween(from, to);
      this.#ends = { from: null, to: null };
    } else {
      this.#say(side === "from" ? `Loop begins at ${timeText(from)}. Now mark its end.` : `Loop ends at ${timeText(to)}. Now mark its start.`);
    }
  }

  #loopBetween(from_s, to_s) {
    const loop = loopOf(this.#grid, frameOf(this.#grid, from_s), frameOf(this.#grid, to_s));
    if (loop === null) {
      this.#say("A loop needs at least half a second between its marks.");
      return;
    }
    this.#setLoop(loop);
    this.#say(`${this.#part("loop").textContent}.`);
  }

  #endLoop() {
    const hadFocus = document.activeElement === this.#button("loop-off");
    this.#setLoop(null);
    this.#say("No loop.");
    if (hadFocus) {
      this.#button("loop-from").focus(); // the other one has just been hidden under the focus
    }
  }

  #setLoop(loop) {
    this.#player?.setLoop(loop);
    this.#showLoop();
    this.#showPosition();
  }

  // Level

  async #noiseOnOrOff() {
    if (this.#noiseOn) {
      this.#stopNoise();
      return;
    }
    this.#noiseOn = true;
    this.#showNoise();
    this.#player.pause();
    try {
      await this.#context.resume();
      this.#noiseSound ??= fetchNoise(this.#set.noise_url, this.#context);
      this.#startNoise(await this.#noiseSound);
    } catch {
      this.#noiseSound = null;
      this.#stopNoise();
      this.#say("The level noise could not be fetched. Try again.");
    }
  }

  #startNoise(buffer) {
    // Fetching took its time: the listener may have stopped it, or stopped it and asked again.
    if (this.#noiseOn && this.#noise === null) {
      this.#noise = new AudioBufferSourceNode(this.#context, { buffer, loop: true });
      this.#noise.connect(this.#gain);
      this.#noise.start();
    }
  }

  #stopNoise() {
    this.#noiseOn = false;
    this.#noise?.stop();
    this.#noise = null;
    this.#showNoise();
  }

  // Keys

  #key(event) {
    if (latest !== this || event.ctrlKey || event.altKey || event.metaKey || this.#panel.takes(event)) {
      return;
    }
    if (this.#player === null || !this.#keys.areOn || isTyping(event.target)) {
      return;
    }
    const act = this.#keys.actOf(event.key);
    const copy = this.#set.copies.find(({ label }) => label.toLowerCase() === event.key.toLowerCase());
    if (act === null && copy === undefined) {
      return;
    }
    event.preventDefault();
    if (act !== null && !event.repeat) {
      this.#do(act);
    } else if (act === null) {
      this.#choose(copy.key);
    }
  }

  // What was heard

  #heard({ key, seconds, from, to }) {
    this.#memory.hear(key, [round(this.#seconds(from)), round(this.#seconds(to))]);
    const told_s = this.#told.get(key) ?? 0;
    if (seconds - told_s >= HEARD_EVERY_S) {
      this.#told.set(key, seconds);
      this.#tell("booth:heard", { key, seconds });
      this.#showHeard(key);
      this.#keepNowAndThen();
      if (this.#rest.listened(seconds - told_s, Date.now() / 1000)) {
        this.#remindOfRest();
      }
    }
  }

  #keepNowAndThen() {
    const now_s = performance.now() / 1000;
    if (now_s - this.#keptAt_s >= KEEP_EVERY_S) {
      this.#keptAt_s = now_s;
      this.#memory.keep();
    }
  }

  #remindOfRest() {
    const words = `You have listened for ${this.#rest.after_min} minutes. Rest your ears for a while before you go on.`;
    if (this.#tell("booth:rest", { minutes: this.#rest.after_min })) {
      this.#part("rest-words").textContent = words;
      this.#part("rest").hidden = false;
      this.#say(words);
    }
  }

  /** Whether the page leaves what follows to the booth. */
  #tell(name, detail) {
    return this.#root.dispatchEvent(new CustomEvent(name, { detail, bubbles: true, cancelable: true }));
  }

  // What the page shows

  #say(words) {
    this.#part("words").textContent = words;
  }

  #showState(state) {
    const [shape, word] = STATE_WORDS[state];
    this.#part("shape").textContent = shape;
    this.#part("state").textContent = word;
    this.#part("play-word").textContent = state === "stopped" ? "Play" : "Pause";
    this.#showPosition();
    if (state === "stopped") {
      this.#set.copies.forEach(({ key }) => this.#showHeard(key));
      this.#leave(this.#player?.key, this.#position);
    } else {
      requestAnimationFrame(() => this.#follow());
    }
  }

  #follow() {
    this.#showPosition();
    if (this.#player.state !== "stopped") {
      requestAnimationFrame(() => this.#follow());
    }
  }

  #showPosition() {
    const text = timeText(this.#position);
    const seek = this.#part("seek");
    this.#map.showPosition(this.#position);
    if (this.#part("position").textContent !== text) {
      this.#part("position").textContent = text;
      seek.value = String(this.#position);
      seek.setAttribute("aria-valuetext", `${text} of ${this.#part("length").textContent}`);
    }
  }

  #showCopy() {
    const key = this.#player?.key ?? this.#set.copies[0].key;
    const copy = this.#set.copies.find((one) => one.key === key);
    this.#shownKey = key;
    this.#row.showChosen(key);
    this.#map.showOutline(copy.map);
    this.#part("heard").textContent = copy.label;
    this.#part("heard-of").textContent = copy.label;
    this.#showHeard(key);
  }

  #heardWords(key) {
    const words = heardText(lengthOf(this.#memory.heard(key)), this.#length);
    return `${words[0].toUpperCase()}${words.slice(1)}.`;
  }

  #showHeard(key) {
    const spans = this.#memory.heard(key);
    this.#row.showHeard(key, spans, lengthOf(spans));
    if (key === (this.#player?.key ?? this.#set.copies[0].key)) {
      this.#map.showHeard(spans);
      this.#part("heard-text").textContent = heardText(lengthOf(spans), this.#length);
    }
  }

  #showFew() {
    const { few } = this.#memory;
    const picking = this.#part("picking");
    picking.setAttribute("aria-pressed", String(this.#row.isPicking));
    picking.textContent = this.#row.isPicking ? "Show the few I ticked" : "Compare a few";
    this.#part("all").hidden = few.length === 0;
  }

  #showMarks() {
    const { marks } = this.#memory;
    this.#part("marks").replaceChildren(
      ...marks.map((place) => {
        const text = timeText(place);
        const pair = spanOf("booth-mark");
        const remove = buttonOf("×", { unmark: place });
        remove.setAttribute("aria-label", `Remove the mark at ${text}`);
        pair.append(buttonOf(text, { place }), remove);
        return pair;
      }),
    );
    this.#part("mark-line").hidden = marks.length === 0;
    this.#map.showPlaces(
      this.#set.sections.map((section) => section.start_s),
      marks,
    );
    this.#showLoop();
  }

  #showLoop() {
    const loop = this.#player?.loop ?? null;
    const between = loop && [this.#seconds(loop.start), this.#seconds(loop.end)];
    this.#button("loop-off").hidden = loop === null;
    this.#button("loop-section").hidden = this.#places.length === 0;
    const words = loop === null ? "No loop" : `Loop ${between.map(timeText).join(" to ")}`;
    this.#part("loop").textContent = words;
    this.#part("loop-short").textContent = loop === null ? "" : `: ${words}`;
    this.#map.showLoop(between);
  }

  #showGain() {
    const gain = Number(this.#part("gain").value);
    this.#part("gain-text").textContent = gainText(gain);
    this.#part("gain").setAttribute("aria-valuetext", gainText(gain));
    this.#gain?.gain.setTargetAtTime(amplitude(gain), this.#context.currentTime, GAIN_RAMP_S / 3);
  }

  #showNoise() {
    this.#part("noise-word").textContent = this.#noiseOn ? "Stop the noise" : "Play noise to set the level";
  }

  #showLine(isUp) {
    this.#part("offline").hidden = isUp;
    this.#say(isUp ? "The connection is back." : "The connection is down.");
  }
}

function contextAt(rateHz) {
  try {
    return new AudioContext({ sampleRate: rateHz, latencyHint: "interactive" });
  } catch {
    return new AudioContext({ latencyHint: "interactive" });
  }
}

async function fetchNoise(address, context) {
  const answer = await fetch(address, { credentials: "same-origin" });
  if (!answer.ok) {
    throw new Error(`status ${answer.status}`);
  }
  return context.decodeAudioData(await answer.arrayBuffer());
}

function isTyping(target) {
  return Boolean(target.closest?.("input:not([type=range], [type=checkbox], [type=radio], [type=button]), textarea, select, [contenteditable]"));
}

function amplitude(gain_db) {
  return 10 ** (gain_db / 20);
}

/** To a hundredth of a second: what is kept of places. */
function round(seconds) {
  return Math.round(seconds * 100) / 100;
}

/** The set of a booth: the JSON inside it, or the one that the page calls `booth-set`. Null if there is none to play. */
function setOf(root) {
  const element = root.querySelector('script[type="application/json"]') ?? document.getElementById("booth-set");
  const set = element === null ? null : JSON.parse(element.textContent);
  return set?.copies?.length > 0 ? set : null;
}

for (const root of document.querySelectorAll("[data-booth]")) {
  const set = setOf(root);
  if (set !== null) {
    const booth = new Booth(root, set);
    latest ??= booth;
  }
}
