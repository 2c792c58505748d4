/* Join notes and booth: <button data-note-at="62.5"> goes to that time, <button data-note-here> writes down where the
 * booth is. Both go by the booth's own position control, as a hand would.
 */

const seek = document.querySelector("[data-booth-seek]");
const form = document.querySelector("[data-note-form]");

function clock(seconds) {
  const tenths = Math.floor(seconds * 10 + 1e-6);
  return `${Math.floor(tenths / 600)}:${((tenths % 600) / 10).toFixed(1).padStart(4, "0")}`;
}

function goTo(seconds) {
  seek.value = String(seconds);
  seek.dispatchEvent(new Event("input", { bubbles: true }));
  seek.scrollIntoView({ block: "nearest" });
}

if (seek !== null && form !== null) {
  for (const button of document.querySelectorAll("[data-note-at]")) {
    button.hidden = false;
    button.addEventListener("click", () => goTo(Number(button.dataset.noteAt)));
  }
  const here = form.querySelector("[data-note-here]");
  here.hidden = false;
  here.addEventListener("click", () => {
    form.querySelector("input[name=start_s]").value = clock(Number(seek.value));
    form.querySelector("textarea").focus();
  });
}
