import { withSpan } from "./spans.js";

/**
 * What the browser keeps of a set of copies between two visits: what was heard of each, where each was left, the
 * listener's marks, the few that are compared. Nothing of it is sent anywhere. No page in this file.
 */

const PREFIX = "booth set ";
const MOST_SETS = 30;

/** The memory of one set. A store that is full or forbidden makes it last until the page is left. */
export class Memory {
  #store;
  #name;
  #kept;

  /**
   * @param {object} parts
   * @param {Storage} parts.store like localStorage.
   * @param {string} parts.name of the set: its page's address.
   * @param {string[]} parts.keys of its copies; what was kept of others is forgotten.
   * @param {number} parts.length_s
   */
  constructor({ store, name, keys, length_s }) {
    this.#store = store;
    this.#name = `${PREFIX}${name}`;
    this.#kept = usable(read(store, this.#name), keys, length_s);
  }

  heard(key) {
    return this.#kept.heard[key] ?? [];
  }

  /** Stretch `[from, to]` of a copy was heard. */
  hear(key, span) {
    this.#kept.heard[key] = withSpan(this.heard(key), span);
  }

  /** Where a copy was left, in seconds; null when it never was. */
  left(key) {
    return this.#kept.left[key] ?? null;
  }

  leave(key, place_s) {
    this.#kept.left[key] = place_s;
  }

  /** The listener's marks, in order. */
  get marks() {
    return this.#kept.marks;
  }

  mark(place_s) {
    if (!this.#kept.marks.includes(place_s)) {
      this.#kept.marks = [...this.#kept.marks, place_s].sort((a, b) => a - b);
    }
  }

  unmark(place_s) {
    this.#kept.marks = this.#kept.marks.filter((mark) => mark !== place_s);
  }

  /** The copies that are compared, in no order; empty: all. */
  get few() {
    return this.#kept.few;
  }

  set few(keys) {
    this.#kept.few = keys;
  }

  /** Write it down. The sets that were heard longest ago make room. */
  keep(now = Date.now()) {
    try {
      this.#store.setItem(this.#name, JSON.stringify({ ...this.#kept, at: now }));
      const names = Object.keys(this.#store).filter((name) => name.startsWith(PREFIX));
      const oldest = names.sort((a, b) => (read(this.#store, a).at ?? 0) - (read(this.#store, b).at ?? 0));
      oldest.slice(0, Math.max(0, names.length - MOST_SETS)).forEach((name) => this.#store.removeItem(name));
    } catch {
      // As said above.
    }
  }
}

/** Whatever the browser lets us keep things in; nothing at all in some private windows. */
export function storeOf(window) {
  try {
    return window.localStorage;
  } catch {
    return { getItem: () => null, setItem() {}, removeItem() {} };
  }
}

function read(store, name) {
  try {
    return JSON.parse(store.getItem(name)) ?? {};
  } catch {
    return {};
  }
}

/** The parts of what was kept that make sense for this set; anybody may have written anything there. */
function usable({ heard, left, marks, few }, keys, length_s) {
  const isPlace = (place) => Number.isFinite(place) && place >= 0 && place <= length_s;
  const ours = (table) => Object.entries(table ?? {}).filter(([key]) => keys.includes(key));
  return {
    heard: Object.fromEntries(
      ours(heard).map(([key, spans]) => [
        key,
        (Array.isArray(spans) ? spans : [])
          .filter((span) => Array.isArray(span) && span.every(isPlace))
          .reduce(withSpan, []),
      ]),
    ),
    left: Object.fromEntries(ours(left).filter(([, place]) => isPlace(place))),
    marks: (Array.isArray(marks) ? marks : []).filter(isPlace).sort((a, b) => a - b),
    few: (Array.isArray(few) ? few : []).filter((key) => keys.includes(key)),
  };
}
