/* The timed notes of one sheet: a line each, added at the booth's place, saved with the sheet as they are typed. */

import { fieldsOfNotes, notesOfFields, troubleOfTimes } from "../listening/note-fields.js";
import { boothPlace, goTo } from "../listening/places.js";
import { secondsOf, timeText } from "../listening/words.js";

export class SheetNotes {
  #form;
  #list;
  #blank;

  /**
   * @param {HTMLFormElement} form of the sheet. It hears `input` where a line changed by a button.
   */
  constructor(form) {
    this.#form = form;
    this.#list = form.querySelector("[data-notes]");
    this.#blank = this.#list.lastElementChild; // what a page without script writes into
    this.#blank.remove();
    for (const line of this.#lines) {
      this.#dress(line);
    }
    const add = form.querySelector("[data-notes-add]");
    add.hidden = false;
    add.addEventListener("click", () => this.add(boothPlace()));
    this.#list.addEventListener("click", (event) => this.#clicked(event.target.closest("button")));
    this.#list.addEventListener("input", (event) => this.#typed(event.target.closest("[data-note]")));
  }

  /** All notes as fields. A time that cannot be is sent as it last could: it must not keep the words from being saved. */
  get fields() {
    return fieldsOfNotes(this.#lines.map((line) => this.#noteOf(line)));
  }

  /** Show what is in the fields in place of what is here. */
  fill(fields) {
    this.#list.replaceChildren();
    for (const note of notesOfFields(fields)) {
      this.#append(note);
    }
  }

  /** A new line at a place in seconds, ready to be written into; null leaves the time to be typed. */
  add(seconds) {
    const line = this.#append({ start: seconds === null ? "" : timeText(seconds), end: "", text: "", to: "" });
    this.#part(line, seconds === null ? "start" : "text").focus();
  }

  get #lines() {
    return [...this.#list.children];
  }

  #part(line, name) {
    return line.querySelector(`[data-note-${name}]`);
  }

  #times(line) {
    return { start: this.#part(line, "start"), end: this.#part(line, "end") };
  }

  #noteOf(line) {
    const { start, end } = this.#times(line);
    const areRight = start.validity.valid && end.validity.valid;
    return {
      start: areRight ? start.value : line.dataset.start,
      end: areRight ? end.value : line.dataset.end,
      text: this.#part(line, "text").value,
      to: this.#part(line, "to").value,
    };
  }

  #append({ start, end, text, to }) {
    const line = this.#blank.cloneNode(true);
    this.#part(line, "start").value = start;
    this.#part(line, "end").value = end;
    this.#part(line, "text").value = text;
    this.#part(line, "to").value = to;
    this.#list.append(line);
    this.#dress(line);
    return line;
  }

  /** Give a line the buttons that only a script can answer. */
  #dress(line) {
    const hasBooth = boothPlace() !== null;
    this.#part(line, "go").hidden = !hasBooth;
    this.#part(line, "until").hidden = !hasBooth;
    this.#part(line, "remove").hidden = false;
    this.#check(line);
  }

  #check(line) {
    const { start, end } = this.#times(line);
    const trouble = troubleOfTimes(start.value, end.value);
    for (const [name, input] of [["start", start], ["end", end]]) {
      input.setCustomValidity(trouble[name]);
      input.setAttribute("aria-invalid", String(trouble[name] !== ""));
    }
    this.#part(line, "wrong").textContent = trouble.start || trouble.end;
    if (trouble.start === "" && trouble.end === "") {
      Object.assign(line.dataset, { start: start.value, end: end.value });
    } else {
      line.dataset.start ??= "0:00.0";
      line.dataset.end ??= "";
    }
    this.#part(line, "go").textContent = `Go to ${line.dataset.start}`;
  }

  #typed(line) {
    if (line !== null) { // the list itself says so when a line is gone
      this.#check(line);
    }
  }

  #clicked(button) {
    const line = button?.closest("[data-note]");
    if (!line) {
      return;
    }
    if (button === this.#part(line, "go")) {
      goTo(secondsOf(line.dataset.start), this.#form.dataset.sheet);
    } else if (button === this.#part(line, "until")) {
      this.#part(line, "end").value = timeText(boothPlace());
      this.#changed(this.#part(line, "end"));
    } else if (button === this.#part(line, "remove")) {
      const next = line.nextElementSibling ?? line.previousElementSibling;
      line.remove();
      (next === null ? this.#form.querySelector("[data-notes-add]") : this.#part(next, "text")).focus();
      this.#changed(this.#list);
    }
  }

  #changed(element) {
    element.dispatchEvent(new Event("input", { bubbles: true }));
  }
}
