/* What is said about an upload. No DOM here: `node --test` reads it too. */

const MEBIBYTE = 1024 ** 2;
const WINDOW_S = 10;

/** A size as `12.3 MiB`. */
export function size(bytes) {
  return `${(bytes / MEBIBYTE).toFixed(1)} MiB`;
}

/** A length of time, in words that do not flicker: seconds up to a minute and a half, then minutes. */
export function timeLeft(seconds) {
  if (seconds < 90) {
    return `${Math.max(1, Math.round(seconds))} s`;
  }
  return `${Math.round(seconds / 60)} min`;
}

/** How fast bytes went during the last ten seconds, in bytes a second; null while nobody can tell. */
export class Pace {
  #marks = [];

  /** Bytes sent so far, at a time in seconds. */
  mark(sentBytes, atS) {
    this.#marks.push({ sentBytes, atS });
    while (this.#marks.length > 2 && atS - this.#marks[0].atS > WINDOW_S) {
      this.#marks.shift();
    }
  }

  get bytesPerSecond() {
    const first = this.#marks[0];
    const last = this.#marks.at(-1);
    if (first === undefined || last.atS - first.atS < 1) {
      return null;
    }
    return (last.sentBytes - first.sentBytes) / (last.atS - first.atS);
  }
}

/** One line under the bar: how much of how much, how fast, how long yet. */
export function progressWords({ sentBytes, totalBytes, bytesPerSecond }) {
  if (sentBytes >= totalBytes) {
    return `All ${size(totalBytes)} arrived. The file is being looked at…`;
  }
  const words = [`${size(sentBytes)} of ${size(totalBytes)}`];
  if (bytesPerSecond === 0) {
    words.push("nothing is getting through at the moment");
  } else if (bytesPerSecond !== null) {
    words.push(`${size(bytesPerSecond)}/s`, `about ${timeLeft((totalBytes - sentBytes) / bytesPerSecond)} left`);
  }
  return words.join(", ");
}

/** Why a file is not sent at all, or null when it may go. */
export function refusalBefore({ bytes, largestBytes }) {
  if (bytes > largestBytes) {
    return `The file is ${size(bytes)}; at most ${size(largestBytes)} are taken. Export it as FLAC and upload that.`;
  }
  return null;
}

/** What is said while the line is down. */
export function waitingWords() {
  return "The line is broken. What arrived is kept; trying again…";
}

/** One upload of the member's own that is under way. */
export function uploadWords({ name, size_bytes: sizeBytes, offset_bytes: offsetBytes }) {
  return `${name}: ${size(offsetBytes)} of ${size(sizeBytes)} arrived.`;
}

/** What is said after a stop. */
export function stopWords({ earlierStands }) {
  const after = earlierStands ? " Your earlier entry still stands." : "";
  return `You stopped the upload, so nothing was entered. What arrived is kept: send the same file again and it goes on from there.${after}`;
}

/** What is said when no sentence came from the server. `status` is 0 for a broken line. */
export function troubleWords({ status, earlierStands }) {
  const after = earlierStands ? " Your earlier entry still stands." : "";
  if (status === 401 || status === 403) {
    return `You are no longer signed in, so nothing was entered. Open this page again, sign in, and send the same file once more; what arrived is kept.${after}`;
  }
  if (status === 0) {
    return `The line broke, so nothing was entered as far as this page can tell. What arrived is kept: send the same file again and it goes on from there.${after}`;
  }
  if (status === 413) {
    return `The file is larger than the server takes. Export it as FLAC and upload that.${after}`;
  }
  return `The server could not take the file (error ${status}); this is not your file’s fault. Wait a minute and look at your entries before you send it again.${after}`;
}
