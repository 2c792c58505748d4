/* Send a file in parts that survive a broken line, a closed page and a server that starts anew.
 *
 * The protocol is tus 1.0.0, spoken by tus-js-client 4.3.1 (MIT, its licence lies beside it; as published, but for the
 * line that names a source map). It sets `tus` on the window. Where an upload lies is remembered by the browser, under
 * a scope that the page gives: the member and what the file is for.
 */

import "./vendor/tus-js-client-4.3.1/tus.min.js";

const CHUNK_BYTES = 8 * 1024 ** 2;
const RETRY_MS = [0, 1000, 2000, 5000, ...Array(60).fill(10_000)]; // ten minutes without a byte, then it gives up
const SILENCE_MS = 60_000;

/** Why a file did not arrive: `status` is 0 for a broken line, `sentence` the server's own or null. */
export class NotSent extends Error {
  constructor({ status = 0, sentence = null, isStopped = false }) {
    super(sentence ?? "not sent");
    this.status = status;
    this.sentence = sentence;
    this.isStopped = isStopped;
  }
}

/** What the browser remembers: one address a file. It forgets on a success only, never because somebody signed out. */
class Memory {
  async findUploadsByFingerprint(fingerprint) {
    try {
      const kept = JSON.parse(localStorage.getItem(fingerprint));
      return kept === null ? [] : [{ ...kept, urlStorageKey: fingerprint }];
    } catch {
      return []; // Nothing may be kept here; then an upload goes on as long as its page is open.
    }
  }

  async findAllUploads() {
    return [];
  }

  async addUpload(fingerprint, upload) {
    try {
      localStorage.setItem(fingerprint, JSON.stringify(upload));
    } catch {
      // As above.
    }
    return fingerprint;
  }

  async removeUpload() {}

  forget(fingerprint) {
    try {
      localStorage.removeItem(fingerprint);
    } catch {
      // As above.
    }
  }
}

const memory = new Memory();

/** One file on its way to the server. */
export class Sending {
  #file;
  #fingerprint;
  #upload = null;
  #settle = null;
  #settings;
  #watch = null;
  #lastMoveMs = 0;

  /** `endpoint` is where uploads begin, `token` the form's own, `scope` the member and what the file is for. */
  constructor(file, { endpoint, token, scope }) {
    this.#file = file;
    this.#fingerprint = `upload:${scope}:${file.size}:${file.lastModified}:${file.name}`;
    this.#settings = { endpoint, headers: { "X-CSRFToken": token } };
  }

  /**
   * Begin, or go on where this file stopped. Resolves with the upload's id once the last byte arrived; rejects with
   * NotSent. `onProgress(sentBytes, totalBytes)` as it goes, `onWaiting()` while the line is down.
   */
  start({ onProgress, onWaiting }) {
    const moved = () => {
      this.#lastMoveMs = performance.now();
    };
    return new Promise((resolve, reject) => {
      this.#settle = reject;
      this.#upload = new window.tus.Upload(this.#file, {
        ...this.#settings,
        chunkSize: CHUNK_BYTES,
        metadata: { filename: this.#file.name },
        retryDelays: RETRY_MS,
        fingerprint: async () => this.#fingerprint,
        urlStorage: memory,
        onProgress: (sentBytes, totalBytes) => {
          moved();
          onProgress(sentBytes, totalBytes);
        },
        onShouldRetry: (error) => {
          const status = statusOf(error);
          const isPassing = status < 400 || status === 409 || status === 423 || (status >= 500 && status !== 507);
          if (isPassing) {
            onWaiting();
          }
          return isPassing;
        },
        onSuccess: () => {
          this.#end();
          resolve(new URL(this.#upload.url, location.href).pathname.split("/").at(-1));
        },
        onError: (error) => {
          this.#end();
          reject(new NotSent({ status: statusOf(error), sentence: sentenceOf(error) }));
        },
      });
      moved();
      this.#watch = setInterval(() => this.#pullTheLine(moved), SILENCE_MS / 4);
      this.#goOn().catch(reject);
    });
  }

  /** Stop. What has arrived stays, and the same file goes on from there. */
  async stop() {
    this.#end();
    await this.#upload.abort();
    this.#settle(new NotSent({ isStopped: true }));
  }

  /** Let the browser forget the file, once something was made of it. */
  forget() {
    memory.forget(this.#fingerprint);
  }

  async #goOn() {
    const [earlier] = await this.#upload.findPreviousUploads();
    if (earlier !== undefined) {
      this.#upload.resumeFromPreviousUpload(earlier);
    }
    this.#upload.start();
  }

  /** A line that moves nothing for a minute is taken down: some never say that they are broken. */
  async #pullTheLine(moved) {
    if (performance.now() - this.#lastMoveMs > SILENCE_MS) {
      moved();
      await this.#upload.abort();
      this.#upload.start();
    }
  }

  #end() {
    clearInterval(this.#watch);
  }
}

/** The member's uploads under way, as the server tells them. */
export async function underWay(endpoint) {
  const answer = await fetch(endpoint, { headers: { "Tus-Resumable": "1.0.0" } });
  return answer.ok ? (await answer.json()).uploads : [];
}

/** Throw one of them away. Says whether it went. */
export async function throwAway(address, token) {
  const headers = { "Tus-Resumable": "1.0.0", "X-CSRFToken": token };
  return (await fetch(address, { method: "DELETE", headers })).ok;
}

function statusOf(error) {
  return error.originalResponse?.getStatus() ?? 0;
}

function sentenceOf(error) {
  const response = error.originalResponse;
  const isPlain = response?.getHeader("Content-Type")?.startsWith("text/plain");
  return (isPlain && response.getBody()) || null;
}
