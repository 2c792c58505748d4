/* Write down where the booth is: <button data-note-here> does, and so does the booth's own key for a note. */

import { boothPlace } from "../listening/places.js";
import { timeText } from "../listening/words.js";

const form = document.querySelector("[data-note-form]");
const booth = document.querySelector("[data-booth]");

function noteAt(seconds) {
  form.querySelector("input[name=start_s]").value = timeText(seconds);
  form.querySelector("textarea").focus();
}

if (booth !== null && form !== null) {
  const here = form.querySelector("[data-note-here]");
  here.hidden = false;
  here.addEventListener("click", () => noteAt(boothPlace()));
  booth.addEventListener("booth:note", (event) => noteAt(event.detail.seconds));
}
