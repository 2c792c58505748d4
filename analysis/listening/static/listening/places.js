/**
 * Places in the booth for the page around it: where it is, and going somewhere.
 *
 * <button data-note-at="62.5"> goes there, with data-note-copy="key" in that copy. They stay
 * hidden where nothing plays.
 */

/** The booth of the page, or null. */
function boothOf() {
  return document.querySelector("[data-booth]");
}

/** Where the booth is, in seconds; null without a booth. */
export function boothPlace() {
  const seek = boothOf()?.querySelector("[data-booth-seek]");
  return seek ? Number(seek.value) : null;
}

/** Go to a place, as a hand on the booth's position control would; in another copy first, if one is named. */
export function goTo(seconds, copy = null) {
  const booth = boothOf();
  const ready = booth.querySelector("[data-booth-ready]");
  if (copy !== null) {
    booth.dispatchEvent(new CustomEvent("booth:choose", { detail: { key: copy } }));
  }
  if (ready.checkVisibility()) {
    ready.focus(); // nothing plays before its caution has been read
    return;
  }
  const seek = booth.querySelector("[data-booth-seek]");
  seek.value = String(seconds);
  seek.dispatchEvent(new Event("input", { bubbles: true }));
  seek.scrollIntoView({ block: "nearest" });
}

if (typeof document !== "undefined" && boothOf() !== null) {
  for (const button of document.querySelectorAll("[data-note-at]")) {
    button.hidden = false;
    button.addEventListener("click", () => goTo(Number(button.dataset.noteAt), button.dataset.noteCopy));
  }
}
