/* Tells the server how long and how often each copy was heard, and again whatever was lost on the way. */

const TELL_EVERY_MS = 15_000;

export class HeardLog {
  #address;
  #token;
  #earlier;
  #before = new Map(); // code -> seconds of earlier visits
  #heard = new Map(); // code -> seconds and plays of all visits
  #last = null; // code of the copy that was heard last
  #untold = new Set();

  /** `address` takes seconds and plays by code; `token` gives Django's form token; `earlier(code)` both of earlier visits. */
  constructor({ address, token, earlier }) {
    this.#address = address;
    this.#token = token;
    this.#earlier = earlier;
    window.setInterval(() => this.tell(), TELL_EVERY_MS);
    window.addEventListener("pagehide", () => this.tell());
  }

  /** Seconds and plays by code of what this visit heard, earlier visits included. */
  get heard() {
    return this.#heard;
  }

  /** Take down what the booth's `booth:heard` says; by how many seconds that copy rose, and whether it is heard for the first time. */
  note({ key, seconds }) {
    const known = this.#heard.get(key) ?? this.#earlier(key);
    if (!this.#before.has(key)) {
      this.#before.set(key, known.seconds);
    }
    const now = { seconds: this.#before.get(key) + seconds, plays: known.plays + (key === this.#last ? 0 : 1) };
    this.#last = key;
    this.#heard.set(key, now);
    this.#untold.add(key);
    return { risenS: now.seconds - known.seconds, isFirst: known.seconds === 0 };
  }

  /** A lost message does no harm: the next one says more. */
  async tell() {
    if (this.#untold.size === 0) {
      return;
    }
    const told = Object.fromEntries([...this.#untold].map((code) => [code, this.#heard.get(code)]));
    this.#untold.clear();
    try {
      await fetch(this.#address, {
        method: "POST",
        credentials: "same-origin",
        keepalive: true,
        headers: { "Content-Type": "application/json", "X-CSRFToken": this.#token() },
        body: JSON.stringify(told),
      });
    } catch {
      for (const code of Object.keys(told)) {
        this.#untold.add(code);
      }
    }
  }
}
