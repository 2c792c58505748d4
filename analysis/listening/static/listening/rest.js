/**
 * When to remind a listener of a rest. No page in this file.
 *
 * Listening is counted from page to page. A pause as long as `PAUSE_S` is a rest and begins the count anew. That ten
 * minutes are a rest is common practice, no source; who decides here is the listener.
 */

const NAME = "booth rest";
export const PAUSE_S = 10 * 60;
const SHORTEST_MIN = 5;
const LONGEST_MIN = 120;

export class Rest {
  #store;
  #usual_min;
  #kept;

  /**
   * @param {Storage} store like localStorage.
   * @param {number} usual_min minutes of listening to the first reminder, unless the listener chose otherwise.
   */
  constructor(store, usual_min) {
    this.#store = store;
    this.#usual_min = usual_min;
    this.#kept = read(store);
  }

  get after_min() {
    return this.#kept.after_min ?? this.#usual_min;
  }

  /** Set another time, kept within 5 and 120 minutes. What is no number changes nothing. */
  set after_min(minutes) {
    if (Number.isFinite(minutes)) {
      this.#kept.after_min = Math.min(LONGEST_MIN, Math.max(SHORTEST_MIN, Math.round(minutes)));
      this.#keep();
    }
  }

  /**
   * Some more seconds were listened to.
   *
   * @param {number} now_s the time of day, in seconds.
   * @returns {boolean} whether it is time for a reminder: once each time that `after_min` have come together.
   */
  listened(seconds, now_s) {
    const { at_s = now_s, listened_s = 0 } = this.#kept;
    const isRested = now_s - at_s >= PAUSE_S || now_s < at_s;
    const total = (isRested ? 0 : listened_s) + seconds;
    const isDue = total >= this.after_min * 60;
    this.#kept = { ...this.#kept, at_s: now_s, listened_s: isDue ? 0 : total };
    this.#keep();
    return isDue;
  }

  #keep() {
    try {
      this.#store.setItem(NAME, JSON.stringify(this.#kept));
    } catch {
      // A full or forbidden store: counted until the page is left.
    }
  }
}

function read(store) {
  try {
    const kept = JSON.parse(store.getItem(NAME)) ?? {};
    return Object.fromEntries(["after_min", "at_s", "listened_s"].filter((name) => Number.isFinite(kept[name])).map((name) => [name, kept[name]]));
  } catch {
    return {};
  }
}
