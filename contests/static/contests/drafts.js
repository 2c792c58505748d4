/* What a judge types is kept here until the server has it. No page in this file: `node --test` reads it too.
 *
 * A draft is in one of these conditions, told with a sentence's worth of detail: `typing`, `saving`, `saved`, `waiting`
 * (the line or the server fails; tried again), `signed out`, `refused` (the server's sentence), `elsewhere` (another
 * window wrote meanwhile; the judge chooses), `gone`.
 */

export const SAVE_AFTER_MS = 800;
const FIRST_RETRY_MS = 2_000;
const LONGEST_RETRY_MS = 60_000;

/** Whether two tables of fields say the same; `7` and `7.0` are one score. Names missing on either side do not count, but for
 * those of timed notes: there are as many as were written. */
export function same(left, right) {
  return [...new Set([...Object.keys(left), ...Object.keys(right)])]
    .filter((name) => name.startsWith("note-") || (name in left && name in right))
    .every((name) => {
      const [a, b] = [left[name], right[name]];
      return a === b || (name.startsWith("score-") && a !== "" && b !== "" && Number(a) === Number(b));
    });
}

/** One sheet's unsaved words.
 *
 * `send(fields)` answers with `{ status, body }`, `status` 401 for signed out, and throws when the line breaks. `store` is
 * like localStorage. `later(act, ms)` and `never(handle)` are the timers. `tell(condition, body)` is called at each change.
 */
export class Draft {
  #key;
  #revision;
  #send;
  #store;
  #later;
  #never;
  #tell;
  #timer = null;
  #unsaved = null; // the newest fields that the server may not have
  #unsure = null; // fields whose answer was lost: they may have been saved
  #theirs = null; // what another window wrote, while the judge chooses
  #running = null;
  #retryMs = FIRST_RETRY_MS;

  constructor({ code, revision, send, store, later, never, tell }) {
    this.#key = `sheet ${code}`;
    this.#revision = revision;
    this.#send = send;
    this.#store = store;
    this.#later = later;
    this.#never = never;
    this.#tell = tell;
  }

  get revision() {
    return this.#revision;
  }

  get isUnsaved() {
    return this.#unsaved !== null;
  }

  /** What an earlier visit typed and the server did not get, or null. */
  left() {
    try {
      return JSON.parse(this.#store.getItem(this.#key));
    } catch {
      return null;
    }
  }

  /** The judge typed: keep it here at once, send it soon. */
  type(fields) {
    this.#unsaved = fields;
    this.#keep(fields);
    if (this.#theirs === null) {
      this.#tell("typing");
      this.#soon(SAVE_AFTER_MS);
    }
  }

  /** Send what is unsaved now. True once the server has everything. */
  flush() {
    this.#running ??= this.#flush().finally(() => (this.#running = null));
    return this.#running;
  }

  /** The choice after `elsewhere`: what is typed here wins. */
  keepMine() {
    this.#theirs = null;
    return this.flush();
  }

  /** The choice after `elsewhere`: what is typed here is dropped. */
  takeTheirs() {
    const fields = this.#theirs;
    this.#theirs = null;
    this.end();
    this.#tell("saved");
    return fields;
  }

  /** Everything is with the server, or nothing more is to be sent. `revision` is the newest, if one is known. */
  end(revision = this.#revision) {
    this.#revision = revision;
    this.#unsaved = null;
    this.#unsure = null;
    this.#wait();
    this.#forget();
  }

  async #flush() {
    this.#wait();
    while (this.#unsaved !== null && this.#theirs === null) {
      const sent = this.#unsaved;
      this.#tell("saving");
      if (!(await this.#try(sent))) {
        return false;
      }
    }
    return this.#unsaved === null;
  }

  /** Send once. True when it makes sense to go on at once. */
  async #try(sent) {
    let answer;
    try {
      answer = await this.#send({ ...sent, based_on: this.#revision });
    } catch {
      answer = { status: 0, body: {} };
    }
    const { status, body } = answer;
    if (status === 200) {
      this.#retryMs = FIRST_RETRY_MS;
      this.#unsure = null;
      this.#revision = body.revision;
      if (this.#unsaved === sent) {
        this.end();
        this.#tell("saved", body);
      }
      return true;
    }
    if (status === 409) {
      this.#revision = body.revision;
      if (this.#unsure !== null && same(this.#unsure, body.fields)) {
        this.#unsure = null; // our own words, whose answer was lost on the way
        return true;
      }
      this.#theirs = body.fields;
      this.#tell("elsewhere", body);
      return false;
    }
    if (status === 401 || status === 403) {
      this.#tell("signed out");
    } else if (status === 404) {
      this.#tell("gone");
    } else if (status >= 400 && status < 500 && status !== 429) {
      this.#tell("refused", body);
    } else {
      this.#unsure = sent;
      this.#tell("waiting");
      this.#soon(this.#retryMs);
      this.#retryMs = Math.min(this.#retryMs * 2, LONGEST_RETRY_MS);
    }
    return false;
  }

  #soon(ms) {
    this.#wait();
    this.#timer = this.#later(() => this.flush(), ms);
  }

  #wait() {
    if (this.#timer !== null) {
      this.#never(this.#timer);
      this.#timer = null;
    }
  }

  #keep(fields) {
    try {
      this.#store.setItem(this.#key, JSON.stringify(fields));
    } catch {
      // A full or forbidden store: the page itself still holds the words and sends them.
    }
  }

  #forget() {
    try {
      this.#store.removeItem(this.#key);
    } catch {
      // As above.
    }
  }
}
