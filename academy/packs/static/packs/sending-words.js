/* What is said about files on their way to a desk. No DOM here: `node --test` reads it too. */

const MEBIBYTE = 1024 ** 2;
const ENDINGS = [".wav", ".wave", ".bwf", ".rf64", ".flac"];

function size(bytes) {
  return `${(bytes / MEBIBYTE).toFixed(1)} MiB`;
}

/** The sound files of a folder in the order of their names, 2 before 10; what is hidden stays out. */
export function filesWorthSending(files) {
  return files
    .filter(({ name }) => !name.startsWith(".") && ENDINGS.some((ending) => name.toLowerCase().endsWith(ending)))
    .sort((one, other) => one.name.localeCompare(other.name, "en", { numeric: true }));
}

/** One line under the bar. */
export function progressWords({ number, count, name, sentBytes, totalBytes }) {
  const which = count > 1 ? `${number} of ${count}: ` : "";
  if (sentBytes >= totalBytes) {
    return `${which}${name} arrived. It is being looked at…`;
  }
  return `${which}${name}, ${size(sentBytes)} of ${size(totalBytes)}`;
}

/** Why a file is not sent at all, or null when it may go. */
export function refusalBefore({ bytes, largestBytes, name }) {
  if (bytes <= largestBytes) {
    return null;
  }
  const advice = name.toLowerCase().endsWith(".zip") ? "Send its stems one by one, as FLAC where they are long." : "Export it as FLAC.";
  return `“${name}” is ${size(bytes)}; at most ${size(largestBytes)} are taken. ${advice}`;
}

/** What is said when no sentence came from the server. `status` is 0 for a broken line. */
export function troubleWords({ name, status, isStopped }) {
  if (isStopped) {
    return `“${name}”: you stopped it. What arrived is kept: send the same file again and it goes on from there.`;
  }
  if (status === 403) {
    return "You are no longer signed in. Sign in, and send the files that are missing.";
  }
  if (status === 0) {
    return `“${name}”: the line broke. What arrived is kept: send the same file again and it goes on from there.`;
  }
  return `“${name}”: the server could not take it (error ${status}); this is not your file’s fault. Try again in a minute.`;
}
