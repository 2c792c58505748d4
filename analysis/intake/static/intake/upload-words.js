/* What is said about an upload. No DOM here: `node --test` reads it too. */

const MEBIBYTE = 1024 ** 2;
const WINDOW_S = 10;
const ENDINGS = [".wav", ".wave", ".bwf", ".rf64", ".flac"];
const FLAC = "Export it as FLAC and upload that.";
const KEPT = "What arrived is kept: send the same file again and it goes on from there.";

/** What is said while the line is down. */
export const WAITING = "The line is broken. What arrived is kept; trying again…";

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

/** The sound files of a folder in the order of their names, 2 before 10; what is hidden stays out. */
export function filesWorthSending(files) {
  return files
    .filter(({ name }) => !name.startsWith(".") && ENDINGS.some((ending) => name.toLowerCase().endsWith(ending)))
    .sort((one, other) => one.name.localeCompare(other.name, "en", { numeric: true }));
}

/** One line under the bar: how much of how much, how fast, how long yet; of many files also which. */
export function progressWords({ number = 1, count = 1, name = "", sentBytes, totalBytes, bytesPerSecond }) {
  const which = (count > 1 ? `${number} of ${count}: ` : "") + (name ? `${name}, ` : "");
  if (sentBytes >= totalBytes) {
    return `${which}${which ? "all" : "All"} ${size(totalBytes)} arrived. The file is being looked at…`;
  }
  const words = [`${which}${size(sentBytes)} of ${size(totalBytes)}`];
  if (bytesPerSecond === 0) {
    words.push("nothing is getting through at the moment");
  } else if (bytesPerSecond !== null) {
    words.push(`${size(bytesPerSecond)}/s`, `about ${timeLeft((totalBytes - sentBytes) / bytesPerSecond)} left`);
  }
  return words.join(", ");
}

/** Why a file is not sent at all, or null when it may go. `name` is told where it is one of many. */
export function refusalBefore({ bytes, largestBytes, name = "", fileName, smaller = FLAC }) {
  if (bytes <= largestBytes) {
    return null;
  }
  const subject = name ? `“${name}”` : "The file";
  const advice = fileName.toLowerCase().endsWith(".zip") ? "Send its files one by one, as FLAC where they are long." : smaller;
  return `${subject} is ${size(bytes)}; at most ${size(largestBytes)} are taken. ${advice}`.trim();
}

/** One upload of the member's own that is under way. */
export function stillUnderWayWords({ name, size_bytes: sizeBytes, offset_bytes: offsetBytes }) {
  return `${name}: ${size(offsetBytes)} of ${size(sizeBytes)} arrived.`;
}

/**
 * What is said when no sentence came from the server. `status` is 0 for a broken line; `name` is told where the file is
 * one of many. What the page adds: `undone` as in “nothing was entered”, `still` and `look` as whole sentences.
 */
export function troubleWords({ status, isStopped = false, name = "", undone = "", still = "", smaller = FLAC, look = "Try again in a minute." }) {
  const which = name ? `“${name}”: ` : "";
  const so = undone ? `, so ${undone}` : "";
  const asFarAsKnown = undone ? `${so} as far as this page can tell` : "";
  return `${which}${sentences()} ${still}`.trim();

  function sentences() {
    if (isStopped) {
      return `You stopped the upload${so}. ${KEPT}`;
    }
    if (status === 401 || status === 403) {
      return `You are no longer signed in${so}. Open this page again, sign in, and send the same file once more; what arrived is kept.`;
    }
    if (status === 0) {
      return `The line broke${asFarAsKnown}. ${KEPT}`;
    }
    if (status === 413) {
      return `The file is larger than the server takes. ${smaller}`.trim();
    }
    return `The server could not take the file (error ${status}); this is not your file’s fault. ${look}`;
  }
}
