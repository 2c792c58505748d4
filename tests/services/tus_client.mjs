/* Send one file by the vendored client: `node tus_client.mjs '{"endpoint": …, "file": …, "headers": {…}}'`.
 *
 * The client's own logic decides when to ask, retry and go on; only its transport is this file's, since Node has no
 * XMLHttpRequest. `cuts` are offsets, in bytes of what was ever written to a socket, at which the line is torn.
 */

import { openAsBlob } from "node:fs";
import http from "node:http";
import { createRequire } from "node:module";

const vendored = "../../analysis/intake/static/intake/vendor/tus-js-client-4.3.1/tus.min.js";
const tus = createRequire(import.meta.url)(vendored);

const told = JSON.parse(process.argv[2]);
const cuts = [...(told.cuts ?? [])].sort((a, b) => a - b);
const statuses = {};
let writtenBytes = 0;
let torn = 0;

class Request {
  #method;
  #url;
  #headers = {};
  #request = null;

  constructor(method, url) {
    this.#method = method;
    this.#url = url;
  }

  getMethod = () => this.#method;
  getURL = () => this.#url;
  getHeader = (name) => this.#headers[name];
  getUnderlyingObject = () => this.#request;
  setProgressHandler() {}

  setHeader(name, value) {
    this.#headers[name] = value;
  }

  async send(body = null) {
    const bytes = body === null ? new Uint8Array() : new Uint8Array(await body.arrayBuffer());
    return new Promise((resolve, reject) => {
      const headers = { ...this.#headers, "Content-Length": bytes.length };
      const request = http.request(this.#url, { method: this.#method, headers, agent: false });
      this.#request = request;
      request.on("error", reject);
      request.on("socket", (socket) => socket.on("error", () => {})); // a killed server, after its answer was read
      request.on("response", (response) => {
        let text = "";
        response.on("data", (data) => (text += data));
        response.on("error", reject);
        response.on("end", () => {
          statuses[response.statusCode] = (statuses[response.statusCode] ?? 0) + 1;
          resolve({
            getStatus: () => response.statusCode,
            getHeader: (name) => response.headers[name.toLowerCase()] ?? null,
            getBody: () => text,
            getUnderlyingObject: () => response,
          });
        });
      });
      if (cuts.length > 0 && writtenBytes + bytes.length > cuts[0]) {
        const head = bytes.subarray(0, cuts[0] - writtenBytes);
        cuts.shift();
        torn += 1;
        writtenBytes += head.length;
        request.write(head, () => setTimeout(() => request.destroy(), 5));
      } else {
        writtenBytes += bytes.length;
        request.end(bytes);
      }
    });
  }

  abort() {
    this.#request?.destroy();
    return Promise.resolve();
  }
}

function end(result) {
  console.log(JSON.stringify({ ...result, statuses, writtenBytes, torn }));
  process.exit(result.error === undefined ? 0 : 1);
}

const file = await openAsBlob(told.file);
const upload = new tus.Upload(file, {
  endpoint: told.endpoint,
  headers: told.headers,
  chunkSize: told.chunkBytes ?? 8 * 1024 ** 2,
  metadata: { filename: told.name ?? "mix.wav" },
  retryDelays: Array(60).fill(told.retryMs ?? 200),
  storeFingerprintForResuming: false,
  httpStack: { createRequest: (method, url) => new Request(method, url), getName: () => "node:http" },
  onShouldRetry: (error) => {
    const status = error.originalResponse?.getStatus() ?? 0;
    return status < 400 || status >= 500 || status === 409 || status === 423;
  },
  onUploadUrlAvailable: () => console.log(JSON.stringify({ url: upload.url })),
  onSuccess: () => end({ url: upload.url }),
  onError: (error) => end({ error: String(error), answer: error.originalResponse?.getBody() }),
});
upload.start();
