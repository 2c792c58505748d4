/* Tells the server how long each copy was heard, and again whatever was lost on the way. */

const TELL_EVERY_MS = 15_000;

export class HeardLog {
  #address;
  #token;
  #earlierS;
  #before = new Map(); // code -> seconds of earlier visits
  #heardS = new Map(); // code -> seconds of all visits
  #untold = new Set();

  /** `address` takes seconds by code; `token` gives Django's form token; `earlierS(code)` what earlier visits heard. */
  constructor({ address, token, earlierS }) {
    this.#address = address;
    this.#token = token;
    this.#earlierS = earlierS;
    window.setInterval(() => this.tell(), TELL_EVERY_MS);
    window.addEventListener("pagehide", () => this.tell());
  }

  /** Seconds by code of what this visit heard, earlier visits included. */
  get heardS() {
    return this.#heardS;
  }

  /** Take down what the booth's `booth:heard` says. */
  note({ key, seconds }) {
    if (!this.#before.has(key)) {
      this.#before.set(key, this.#earlierS(key));
    }
    this.#heardS.set(key, this.#before.get(key) + seconds);
    this.#untold.add(key);
  }

  /** A lost message does no harm: the next one says more. */
  async tell() {
    if (this.#untold.size === 0) {
      return;
    }
    const told = Object.fromEntries([...this.#untold].map((code) => [code, this.#heardS.get(code)]));
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
