import { namesToDrop } from "./timeline.js";

/**
 * The segments of a set's copies: fetched, kept compressed, decoded only when they are about to sound.
 *
 * Compressed segments are small and their memory is returned at once; decoded ones are large and are
 * returned when the browser sees fit. So many are kept compressed, and very few decoded.
 */

const LIMIT_BYTES = 64 * 2 ** 20;
const DECODED_LIMIT = 8;
const PARALLEL = 4;
const RETRY_FIRST_MS = 1000;
const RETRY_LONGEST_MS = 8000;

/** A segment could not be had. The message is a sentence for the listener. */
export class SegmentTrouble extends Error {
  name = "SegmentTrouble";
}

/** Fires `trouble` (detail: a SegmentTrouble) when a fetch or a decode fails, and `relief` when one succeeds after that. */
export class SegmentStore extends EventTarget {
  #addresses;
  #decode;
  #fetch;
  #limitBytes;
  #compressed = new Map(); // name -> ArrayBuffer, in order of last use
  #decoded = new Map(); // name -> decoded sound, in order of last use
  #fetching = new Map(); // name -> { promise, abort }
  #decoding = new Map(); // name -> promise
  #retry = new Map(); // name -> { at, delay }
  #queue = [];
  #wanted = new Set();
  #troubled = false;

  /**
   * @param {object} parts
   * @param {{key: string, segments_url: string}[]} parts.copies
   * @param {(bytes: ArrayBuffer, key: string, segment: number) => Promise<AudioBuffer>} parts.decode may keep `bytes`.
   * @param {typeof fetch} [parts.fetch]
   * @param {number} [parts.limitBytes] compressed bytes kept beyond those that are wanted now.
   */
  constructor({ copies, decode, fetch = (...args) => globalThis.fetch(...args), limitBytes = LIMIT_BYTES }) {
    super();
    this.#addresses = new Map(copies.map((copy) => [copy.key, copy.segments_url]));
    this.#decode = decode;
    this.#fetch = fetch;
    this.#limitBytes = limitBytes;
  }

  /** Bytes held compressed, and sounds held decoded. */
  get held() {
    const bytes = [...this.#compressed.values()].reduce((sum, buffer) => sum + buffer.byteLength, 0);
    return { bytes, decoded: this.#decoded.size };
  }

  /**
   * Say which segments to have, in their order: fetches the missing, gives up fetches no longer wanted.
   *
   * While one that presses is missing, the others wait and are given up: on a slow line they would take its share.
   *
   * @param {{key: string, segment: number, isPressing?: boolean}[]} list
   */
  want(list) {
    this.#wanted = namesOf(list);
    const missing = list.filter(({ key, segment }) => !this.has(key, segment));
    const pressing = missing.filter(({ isPressing }) => isPressing);
    this.#queue = pressing.length > 0 ? pressing : missing;
    const now = namesOf(this.#queue);
    for (const [name, { abort }] of this.#fetching) {
      if (!now.has(name)) {
        abort.abort();
      }
    }
    this.#pump();
  }

  /** The decoded sound of a segment, or null if it is not decoded at the moment. */
  decoded(key, segment) {
    return touch(this.#decoded, nameOf(key, segment)) ?? null;
  }

  /** Whether a segment is in memory, compressed. */
  has(key, segment) {
    return this.#compressed.has(nameOf(key, segment));
  }

  /**
   * Fetch and decode one segment at once, ahead of the queue. Calls for the same segment share the work.
   *
   * @returns {Promise<AudioBuffer>}
   * @throws {SegmentTrouble} it cannot be had now. Ask again later.
   * @throws {DOMException} AbortError: `want` gave it up meanwhile.
   */
  load(key, segment) {
    const name = nameOf(key, segment);
    const ready = this.decoded(key, segment);
    if (ready !== null) {
      return Promise.resolve(ready);
    }
    if (!this.#decoding.has(name)) {
      const work = this.#loadNow(name, key, segment).finally(() => this.#decoding.delete(name));
      this.#decoding.set(name, work);
    }
    return this.#decoding.get(name);
  }

  /** The line is back: what failed may be tried at once. */
  hurry() {
    this.#retry.clear();
  }

  /** Give up everything under way and forget everything held. */
  close() {
    this.#queue = [];
    this.#wanted.clear();
    this.#fetching.forEach(({ abort }) => abort.abort());
    this.#compressed.clear();
    this.#decoded.clear();
  }

  async #loadNow(name, key, segment) {
    const bytes = touch(this.#compressed, name) ?? (await this.#fetchOnce(key, segment));
    let sound;
    try {
      // Decoding takes the bytes away from us, so it gets its own.
      sound = await this.#decode(bytes.slice(0), key, segment);
    } catch (error) {
      this.#compressed.delete(name);
      throw this.#failed(name, error, "A part of this copy could not be decoded. It will be fetched again.");
    }
    this.#decoded.set(name, sound);
    for (const oldest of this.#decoded.keys()) {
      if (this.#decoded.size <= DECODED_LIMIT) {
        break;
      }
      this.#decoded.delete(oldest);
    }
    this.#succeeded(name);
    return sound;
  }

  #pump() {
    while (this.#fetching.size < PARALLEL && this.#queue.length > 0) {
      const { key, segment } = this.#queue.shift();
      if (!this.has(key, segment) && !this.#mustWait(nameOf(key, segment))) {
        // A failed prefetch has been told as trouble, and the next `want` asks again.
        this.#fetchOnce(key, segment).catch(() => {});
      }
    }
  }

  #fetchOnce(key, segment) {
    const name = nameOf(key, segment);
    if (this.#fetching.has(name)) {
      return this.#fetching.get(name).promise;
    }
    if (this.#mustWait(name)) {
      return Promise.reject(new SegmentTrouble("Waiting before the next try."));
    }
    const abort = new AbortController();
    const promise = this.#download(name, key, segment, abort.signal).finally(() => {
      this.#fetching.delete(name);
      this.#pump();
    });
    this.#fetching.set(name, { promise, abort });
    return promise;
  }

  async #download(name, key, segment, signal) {
    let bytes;
    try {
      const answer = await this.#fetch(`${this.#addresses.get(key)}${segment}`, { signal, credentials: "same-origin" });
      if (!answer.ok) {
        throw new SegmentTrouble(sentenceFor(answer.status));
      }
      bytes = await answer.arrayBuffer();
    } catch (error) {
      if (signal.aborted) {
        throw error;
      }
      throw this.#failed(name, error, "The sound could not be fetched. Check the connection; it is tried again by itself.");
    }
    this.#compressed.set(name, bytes);
    const sizes = new Map([...this.#compressed].map(([held, buffer]) => [held, buffer.byteLength]));
    const keep = new Set(this.#wanted).add(name);
    namesToDrop(sizes, keep, this.#limitBytes).forEach((dropped) => this.#compressed.delete(dropped));
    this.#succeeded(name);
    return bytes;
  }

  #mustWait(name) {
    return (this.#retry.get(name)?.at ?? 0) > Date.now();
  }

  #failed(name, error, sentence) {
    const delay = Math.min(RETRY_LONGEST_MS, (this.#retry.get(name)?.delay ?? RETRY_FIRST_MS / 2) * 2);
    this.#retry.set(name, { at: Date.now() + delay, delay });
    const trouble = error instanceof SegmentTrouble ? error : new SegmentTrouble(sentence, { cause: error });
    this.#troubled = true;
    this.dispatchEvent(new CustomEvent("trouble", { detail: trouble }));
    return trouble;
  }

  #succeeded(name) {
    this.#retry.delete(name);
    if (this.#troubled) {
      this.#troubled = false;
      this.dispatchEvent(new CustomEvent("relief"));
    }
  }
}

function namesOf(list) {
  return new Set(list.map(({ key, segment }) => nameOf(key, segment)));
}

function nameOf(key, segment) {
  return `${key} ${segment}`;
}

/** Look a value up and make it the latest used of its map. */
function touch(map, name) {
  const value = map.get(name);
  if (value !== undefined) {
    map.delete(name);
    map.set(name, value);
  }
  return value;
}

function sentenceFor(status) {
  if (status === 401 || status === 403 || status === 404) {
    return "This copy is not open to you any more. Reload the page; you may have been logged out.";
  }
  return `The server could not send the sound (status ${status}). It is tried again by itself.`;
}
