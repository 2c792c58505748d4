/* Which of several stems are heard. No DOM here: `node --test` reads it too. */

/** “Only this” wins over “leave out”; with none chosen alone, all are heard but those left out. */
export class Choice {
  #keys;
  #only = new Set();
  #out = new Set();

  constructor(keys) {
    this.#keys = keys;
  }

  /** Hear this one alone, or together with others chosen so; a second time takes it back. */
  only(key) {
    toggle(this.#only, key);
  }

  /** Leave this one out; a second time takes it back. */
  out(key) {
    toggle(this.#out, key);
  }

  /** Hear all again. */
  clear() {
    this.#only.clear();
    this.#out.clear();
  }

  isOnly(key) {
    return this.#only.has(key);
  }

  isOut(key) {
    return this.#out.has(key);
  }

  isHeard(key) {
    return this.#only.size > 0 ? this.#only.has(key) : !this.#out.has(key);
  }

  heard() {
    return this.#keys.filter((key) => this.isHeard(key));
  }
}

function toggle(set, key) {
  if (!set.delete(key)) {
    set.add(key);
  }
}
