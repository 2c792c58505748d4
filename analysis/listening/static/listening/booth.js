import { Player } from "./player.js";
import { storeFor } from "./rates.js";
import { frameOf, gridOf, loopOf } from "./timeline.js";

/**
 * The booth on the page: buttons, slider and keys around a player.
 *
 * The page finds: `booth:copy` `{ key }` when another copy is chosen and heard, `booth:heard` `{ key, seconds }` about
 * once a second while one is. The page may send `booth:choose` `{ key }`.
 */

const SEEK_S = 5;
const FIRST_GAIN_DB = -20;
const GAIN_RAMP_S = 0.05;
const HEARD_EVERY_S = 1;
const REST_AFTER_S = 25 * 60;

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
  #grid;
  #context = null;
  #player = null;
  #gain = null;
  #noiseOn = false;
  #noise = null; // the source that plays, or null
  #noiseSound = null; // a promise of the decoded loop
  #marks = { from: null, to: null };
  #told = new Map(); // key -> seconds last told to the page
  #firstKey = null;
  #lastHand = "pointer";
  #restTold = 0;

  constructor(root, set) {
    this.#root = root;
    this.#set = set;
    this.#grid = gridOf(set);
    this.#build();
    this.#bind();
  }

  #part(name) {
    return this.#root.querySelector(`[data-booth-${name}]`);
  }

  #build() {
    this.#part("copies").replaceChildren(
      ...this.#set.copies.map((copy) => {
        const button = buttonOf("", { key: copy.key });
        button.append(spanOf("booth-letter", copy.label));
        if (copy.name !== null) {
          button.append(" ", spanOf("booth-name", copy.name));
        }
        button.setAttribute("aria-pressed", "false");
        return button;
      }),
    );
    this.#part("sections").replaceChildren(
      ...this.#set.sections.map((section) => {
        const button = buttonOf(section.name, { start: section.start_s });
        button.append(" ", spanOf("booth-time", timeText(section.start_s)));
        return button;
      }),
    );
    this.#part("section-line").hidden = this.#set.sections.length === 0;
    this.#part("seek").max = String(this.#seconds(this.#grid.frames));
    this.#part("length").textContent = timeText(this.#seconds(this.#grid.frames));
    this.#part("gain").value = String(FIRST_GAIN_DB);
    this.#part("noise").hidden = !this.#set.noise_url;
    this.#showGain();
    this.#showCopy();
    this.#showLoop();
    this.#showState("stopped");
  }

  #bind() {
    const on = (name, event, act) => this.#part(name).addEventListener(event, act);
    on("ready", "click", () => this.#open());
    on("play", "click", () => this.#playOrPause());
    on("seek", "input", (event) => this.#seekTo(Number(event.target.value)));
    on("gain", "input", () => this.#showGain());
    on("noise", "click", () => this.#noiseOnOrOff());
    on("copies", "click", (event) => this.#choose(event.target.closest("button")?.dataset.key));
    on("sections", "click", (event) => {
      const start = event.target.closest("button")?.dataset.start;
      if (start !== undefined) {
        this.#seekTo(Number(start));
      }
    });
    on("loop-section", "click", () => this.#loopSection());
    on("loop-from", "click", () => this.#mark("from"));
    on("loop-to", "click", () => this.#mark("to"));
    on("loop-off", "click", () => {
      this.#setLoop(null);
      this.#part("loop-from").focus(); // this button has just been hidden under the focus
    });
    this.#root.addEventListener("booth:choose", (event) => this.#choose(event.detail?.key));
    this.#root.addEventListener("click", () => this.#say(""), { capture: true }); // what was said has been read
    this.#root.addEventListener("pointerdown", () => (this.#lastHand = "pointer"));
    this.#root.addEventListener("focusin", () => (latest = this));
    document.addEventListener("keydown", (event) => this.#key(event));
    document.addEventListener("keyup", (event) => {
      if (event.key === " " && this.#takesSpace(event.target)) {
        event.preventDefault(); // or the button that was clicked last would be pressed again
      }
    });
    window.addEventListener("pagehide", () => {
      this.#player?.pause();
      this.#stopNoise();
    });
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
    this.#player = new Player({
      context: this.#context,
      output: this.#gain,
      grid: this.#grid,
      keys: this.#set.copies.map((copy) => copy.key),
      store,
    });
    this.#player.addEventListener("state", (event) => this.#showState(event.detail.state));
    this.#player.addEventListener("copy", () => this.#showCopy());
    this.#player.addEventListener("copy", (event) => this.#tell("booth:copy", { key: event.detail.key }));
    this.#player.addEventListener("wish", (event) => this.#showWish(event.detail.key));
    this.#player.addEventListener("heard", (event) => this.#tellHeard(event.detail));
    this.#player.choose(this.#firstKey ?? this.#player.key);
    this.#player.prepare();
    this.#showCopy();
    this.#part("play").focus();
  }

  async #playOrPause() {
    if (this.#player === null) {
      return;
    }
    if (this.#player.state !== "stopped") {
      this.#player.pause();
      return;
    }
    this.#stopNoise();
    await this.#context.resume();
    this.#player.play();
  }

  /** A page may choose before the listener is ready; then that copy comes first. */
  #choose(key) {
    if (this.#player === null) {
      this.#firstKey = key ?? null;
    } else if (key !== undefined) {
      this.#player.choose(key);
    }
  }

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

  #loopSection() {
    const sections = this.#set.sections;
    const at = sections.findLastIndex((section) => section.start_s <= this.#position + 1e-9);
    if (at < 0) {
      this.#say("No section begins before this place.");
      return;
    }
    const end = sections[at + 1]?.start_s ?? this.#seconds(this.#grid.frames);
    this.#loopBetween(sections[at].start_s, end);
  }

  #mark(side) {
    this.#marks[side] = this.#position;
    const { from, to } = this.#marks;
    if (from !== null && to !== null) {
      this.#loopBetween(from, to);
      this.#marks = { from: null, to: null };
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
  }

  #setLoop(loop) {
    this.#player?.setLoop(loop);
    this.#showLoop();
    this.#showPosition();
  }

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

  #key(event) {
    if (event.key === "Tab") {
      this.#lastHand = "keys";
    }
    if (!this.#listens(event.target) || event.ctrlKey || event.altKey || event.metaKey) {
      return;
    }
    const act = this.#actOf(event);
    if (act !== null) {
      event.preventDefault();
      act();
    }
  }

  /** Keys act when the focus is in this booth or nowhere, unless the listener switched them off or is typing. */
  #listens(target) {
    const here = this.#root.contains(target) || (latest === this && target === document.body);
    return here && this.#player !== null && this.#part("keys").checked && !isTyping(target);
  }

  #actOf(event) {
    if (event.key === " ") {
      return this.#takesSpace(event.target) && !event.repeat ? () => this.#playOrPause() : null;
    }
    if (event.key === "ArrowLeft" || event.key === "ArrowRight") {
      const step = event.key === "ArrowLeft" ? -SEEK_S : SEEK_S;
      return event.target === this.#part("gain") ? null : () => this.#seekTo(this.#position + step);
    }
    const copy = this.#set.copies.find(({ label }) => label.toLowerCase() === event.key.toLowerCase());
    return copy === undefined ? null : () => this.#choose(copy.key);
  }

  /** Space presses the control that the Tab key reached; otherwise it plays and pauses. */
  #takesSpace(target) {
    const reachedByTab = this.#lastHand === "keys" && target.closest("button, summary, input") !== null;
    return this.#listens(target) && !reachedByTab;
  }

  #tell(name, detail) {
    this.#root.dispatchEvent(new CustomEvent(name, { detail, bubbles: true }));
  }

  #tellHeard({ key, seconds }) {
    if (seconds - (this.#told.get(key) ?? 0) >= HEARD_EVERY_S) {
      this.#told.set(key, seconds);
      this.#tell("booth:heard", { key, seconds });
      this.#remindOfRest();
    }
  }

  #remindOfRest() {
    const total = [...this.#told.values()].reduce((sum, seconds) => sum + seconds, 0);
    if (total - this.#restTold >= REST_AFTER_S) {
      this.#restTold = total;
      this.#say("You have listened for 25 minutes. Rest your ears for a while before you go on.");
    }
  }

  #say(words) {
    this.#part("words").textContent = words;
  }

  #showState(state) {
    const [shape, word] = STATE_WORDS[state];
    this.#part("shape").textContent = shape;
    this.#part("state").textContent = word;
    this.#part("play").textContent = state === "stopped" ? "Play" : "Pause";
    this.#showPosition();
    if (state !== "stopped") {
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
    if (this.#part("position").textContent !== text) {
      this.#part("position").textContent = text;
      seek.value = String(this.#position);
      seek.setAttribute("aria-valuetext", `${text} of ${this.#part("length").textContent}`);
    }
  }

  #showCopy() {
    const key = this.#player?.key ?? this.#set.copies[0].key;
    for (const button of this.#part("copies").children) {
      button.setAttribute("aria-pressed", String(button.dataset.key === key));
    }
    this.#part("heard").textContent = this.#set.copies.find((copy) => copy.key === key).label;
  }

  #showWish(key) {
    for (const button of this.#part("copies").children) {
      button.toggleAttribute("data-waiting", button.dataset.key === key);
    }
  }

  #showLoop() {
    const loop = this.#player?.loop ?? null;
    this.#part("loop-off").hidden = loop === null;
    this.#part("loop-section").hidden = this.#set.sections.length === 0;
    this.#part("loop").textContent =
      loop === null ? "No loop" : `Loop ${timeText(this.#seconds(loop.start))} to ${timeText(this.#seconds(loop.end))}`;
  }

  #showGain() {
    const gain = Number(this.#part("gain").value);
    this.#part("gain-text").textContent = gainText(gain);
    this.#part("gain").setAttribute("aria-valuetext", gainText(gain));
    this.#gain?.gain.setTargetAtTime(amplitude(gain), this.#context.currentTime, GAIN_RAMP_S / 3);
  }

  #showNoise() {
    this.#part("noise").textContent = this.#noiseOn ? "Stop the noise" : "Play noise to set the level";
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

/** Seconds as minutes and seconds with one decimal, cut and not rounded, as a clock is read. */
function timeText(seconds) {
  const tenths = Math.floor(seconds * 10 + 1e-6);
  const minutes = Math.floor(tenths / 600);
  return `${minutes}:${((tenths % 600) / 10).toFixed(1).padStart(4, "0")}`;
}

function gainText(gain_db) {
  return `${gain_db < 0 ? "−" : ""}${Math.abs(gain_db)} dB`;
}

function rateText(rateHz) {
  return `${rateHz / 1000} kHz`;
}

function buttonOf(text, dataset) {
  const button = document.createElement("button");
  button.type = "button";
  button.append(text);
  Object.assign(button.dataset, dataset);
  return button;
}

function spanOf(className, text) {
  const span = document.createElement("span");
  span.className = className;
  span.textContent = text;
  return span;
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
