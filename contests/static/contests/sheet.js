/* A score sheet that saves as it is typed: <form data-sheet="code">. Without script its buttons do the same.
 *
 * It hears `sheet:flush`, whose detail is a list: a promise goes into it that is true once everything typed is saved; and
 * `sheet:note` `{ seconds }`, which begins a timed note.
 * The page finds `sheet:told` `{ code, is_open, state_words, state_shape, submitted, needed, listed, about_min }` on the
 * form after each answer.
 */

import { Draft } from "./drafts.js";
import { SheetNotes } from "./sheet-notes.js";

const WORDS = {
  typing: "Not saved yet…",
  saving: "Saving…",
  saved: "Saved.",
  waiting: "Not saved: the line or the server does not answer. What you typed is kept in this browser and sent again by itself.",
  "signed out":
    "Not saved: you are no longer signed in. What you typed is kept in this browser; sign in again and open this page anew.",
  gone: "Not saved: this mix is no longer on your list. What you typed is kept in this browser.",
};

async function post(address, token, fields) {
  const answer = await fetch(address, {
    method: "POST",
    credentials: "same-origin",
    headers: { "Content-Type": "application/json", "X-CSRFToken": token },
    body: JSON.stringify(fields),
  });
  if (answer.redirected) {
    return { status: 401, body: {} };
  }
  const isJson = (answer.headers.get("Content-Type") ?? "").startsWith("application/json");
  return { status: answer.status, body: isJson ? await answer.json() : {} };
}

/** Whatever the browser lets us keep words in; nothing at all in some private windows. */
function storeOf() {
  try {
    return window.localStorage;
  } catch {
    return { getItem: () => null, setItem() {}, removeItem() {} };
  }
}

class Sheet {
  #form;
  #state;
  #draft;
  #notes;

  constructor(form) {
    this.#form = form;
    this.#notes = new SheetNotes(form);
    this.#state = form.querySelector("[data-sheet-state]");
    this.#draft = new Draft({
      code: form.dataset.sheet,
      revision: form.elements.based_on.value,
      send: (fields) => post(form.action, this.#token, fields),
      store: storeOf(),
      later: (act, ms) => window.setTimeout(act, ms),
      never: (timer) => window.clearTimeout(timer),
      tell: (condition, body) => this.#tell(condition, body),
    });
    form.querySelector("[data-sheet-save]").hidden = true; // it saves by itself
    form.addEventListener("input", (event) => this.#typed(event.target));
    form.addEventListener("submit", (event) => this.#submitted(event));
    form.addEventListener("sheet:note", (event) => this.#noteAt(event.detail.seconds));
    form.addEventListener("sheet:flush", (event) => event.detail.push(this.#draft.flush()));
    form.querySelector("[data-sheet-mine]").addEventListener("click", () => this.#draft.keepMine());
    form.querySelector("[data-sheet-theirs]").addEventListener("click", () => this.#fill(this.#draft.takeTheirs()));
    window.addEventListener("online", () => this.#draft.flush());
    window.addEventListener("pagehide", () => this.#draft.flush());
    window.addEventListener("beforeunload", (event) => {
      if (this.#draft.isUnsaved) {
        event.preventDefault();
      }
    });
    this.#restore();
  }

  get #token() {
    return this.#form.elements.csrfmiddlewaretoken.value;
  }

  get #fieldset() {
    return this.#form.querySelector("[data-sheet-fields]");
  }

  get #scores() {
    return [...this.#form.querySelectorAll("input[type=number]")];
  }

  /** What is written, without scores that are off their scale: those must not keep the words from being saved. */
  get #fields() {
    const parts = new FormData(this.#form);
    for (const name of ["csrfmiddlewaretoken", "based_on", ...[...parts.keys()].filter((one) => one.startsWith("note-"))]) {
      parts.delete(name);
    }
    for (const input of this.#scores.filter((one) => !one.validity.valid)) {
      parts.delete(input.name);
    }
    for (const { name } of this.#form.querySelectorAll("input[type=radio]")) {
      if (!parts.has(name)) {
        parts.set(name, ""); // a verdict that was taken back
      }
    }
    return { ...Object.fromEntries(parts), ...this.#notes.fields };
  }

  #restore() {
    const left = this.#draft.left();
    if (left === null) {
      return;
    }
    if (this.#fieldset.disabled) {
      this.#draft.end(); // sealed meanwhile: nothing can be added
      return;
    }
    this.#fill(left);
    this.#draft.type(this.#fields);
    this.#draft.flush();
  }

  #fill(fields) {
    for (const [name, value] of Object.entries(fields)) {
      const field = this.#form.elements[name];
      if (field instanceof RadioNodeList) {
        field.forEach((one) => (one.checked = one.value === value));
      } else if (field !== undefined) {
        field.value = value;
      }
    }
    this.#notes.fill(fields);
    for (const input of this.#scores) {
      this.#mark(input);
    }
  }

  #noteAt(seconds) {
    if (this.#fieldset.disabled) {
      this.#say("No note can be added: this sheet takes nothing more.");
    } else {
      this.#notes.add(seconds);
    }
  }

  #typed(field) {
    if (field.type === "number") {
      this.#mark(field);
    }
    this.#draft.type(this.#fields);
  }

  /** Say beside a score that it is off its scale, or take that back. */
  #mark(input) {
    const line = input.closest(".field");
    const isWrong = !input.validity.valid;
    line.classList.toggle("wrong", isWrong);
    input.setAttribute("aria-invalid", String(isWrong));
    line.querySelector(".wrong-why")?.remove();
    if (isWrong) {
      const why = document.createElement("div");
      why.className = "wrong-why";
      why.append(document.createElement("p"));
      why.firstChild.textContent = `Not on the scale, so not saved: from ${input.min} to ${input.max} in steps of ${input.step}.`;
      line.append(why);
    }
  }

  async #submitted(event) {
    event.preventDefault();
    const address = event.submitter?.formAction || this.#form.action;
    if (address === this.#form.action) {
      this.#draft.flush(); // the Enter key in a field
      return;
    }
    const isSeal = address.endsWith("/submit/");
    const wrong = this.#form.querySelector("input:invalid");
    if (isSeal && wrong !== null) {
      this.#say(wrong.type === "number" ? "Not submitted: a score is not on its scale." : "Not submitted: a note has no time that can be.");
      wrong.focus();
      return;
    }
    if (isSeal) {
      this.#draft.type(this.#fields); // sent once more, so that a change in another window is noticed before the seal
    }
    this.#fieldset.disabled = true; // nothing may be typed between the last word sent and the seal
    try {
      await this.#act(address);
    } finally {
      this.#fieldset.disabled = this.#form.dataset.done === "";
      event.submitter.focus(); // where it was before the fields were closed for a moment
    }
  }

  async #act(address) {
    if (!(await this.#draft.flush())) {
      return; // the line below the sheet says why
    }
    try {
      const { status, body } = await post(address, this.#token, {});
      this.#told(status, body);
    } catch {
      this.#say("Not done: the line or the server does not answer. Your sheet is saved; try again in a moment.");
    }
  }

  #told(status, body) {
    if (status === 401 || status === 403) {
      this.#say("Not done: you are no longer signed in. Your sheet is saved; sign in again and open this page anew.");
      return;
    }
    if (body.message === undefined) {
      this.#say(`Not done: the server could not do it (error ${status}). Your sheet is saved; try again in a moment.`);
      return;
    }
    this.#show(body);
    this.#say(body.message);
  }

  #tell(condition, body) {
    this.#form.querySelector("[data-sheet-choice]").hidden = condition !== "elsewhere";
    const wrong = condition === "saved" ? this.#form.querySelector("input:invalid") : null;
    if (wrong !== null) {
      this.#say(wrong.type === "number" ? "Saved, except for the score that is not on its scale." : "Saved, except for the time of a note.");
    } else {
      this.#say(body?.message && condition !== "saved" ? `Not saved. ${body.message}` : (WORDS[condition] ?? "Not saved."));
    }
    if (body?.state !== undefined) {
      this.#show(body);
    }
  }

  #show(body) {
    const word = this.#form.querySelector("[data-sheet-word]");
    word.textContent = body.state_words;
    word.className = `status ${body.state_shape}`;
    if (!body.is_open) {
      this.#form.dataset.done = "";
      this.#fieldset.disabled = true;
      this.#draft.end(body.revision);
    }
    const { is_open, state_words, state_shape, submitted, needed, listed, about_min } = body;
    const told = { is_open, state_words, state_shape, submitted, needed, listed, about_min };
    const detail = { code: this.#form.dataset.sheet, ...told };
    this.#form.dispatchEvent(new CustomEvent("sheet:told", { detail, bubbles: true }));
  }

  #say(sentence) {
    if (this.#state.textContent !== sentence) {
      this.#state.textContent = sentence;
    }
  }
}

for (const form of document.querySelectorAll("form[data-sheet]")) {
  new Sheet(form);
}
