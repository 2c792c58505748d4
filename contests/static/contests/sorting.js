/* Quick sorting at the judge's desk: a verdict leads on to the next mix, and the last one can be taken back.
 *
 * The sheets save by themselves (sheet.js); this file only counts, moves on and goes back. Keys, while no field is written in:
 * k keep, u unsure, p pass, Backspace takes the last one back. They act with Shift held down, because the letters alone choose
 * copies in the booth.
 */

const PILE_OF_KEY = { k: "keep", u: "unsure", p: "pass" };
const ON_AFTER_MS = 250; // long enough to see which pile was hit

class Sorting {
  #form;
  #desk;
  #undo;
  #said = []; // codes in the order in which they were sorted here
  #unsent;

  constructor(form) {
    this.#form = form;
    this.#desk = document.querySelector("[data-desk]");
    this.#undo = form.querySelector("[data-sorting-undo]");
    this.#unsent = new Set(this.#sheets().filter((sheet) => sheet.querySelector("[name=verdict]:checked") && this.#isOpen(sheet)).map(code));
    this.#undo.hidden = false;
    form.querySelector("[data-sorting-keys]").hidden = false;
    this.#undo.addEventListener("click", () => this.#back());
    this.#desk.addEventListener("change", (event) => this.#changed(event));
    this.#desk.addEventListener("sheet:told", (event) => this.#told(event.detail));
    document.addEventListener("keydown", (event) => this.#pressed(event), { capture: true }); // before the booth hears it
    this.#form.addEventListener("submit", (event) => this.#submitted(event));
  }

  #sheets() {
    return [...this.#desk.querySelectorAll("form[data-sheet]")];
  }

  #isOpen(sheet) {
    return !sheet.querySelector("[data-sheet-fields]").disabled;
  }

  #inSight() {
    return this.#desk.querySelector("[data-desk-sheet]:not([hidden]) form[data-sheet]");
  }

  #changed(event) {
    if (event.target.name !== "verdict") {
      return;
    }
    const sheet = event.target.closest("form[data-sheet]");
    this.#said = [...this.#said.filter((one) => one !== code(sheet)), code(sheet)];
    this.#unsent.add(code(sheet));
    this.#tell();
    window.setTimeout(() => this.#on(sheet), ON_AFTER_MS);
  }

  /** To the next mix without a verdict, if this one is still in sight. */
  #on(sheet) {
    const all = this.#sheets();
    const from = all.indexOf(sheet);
    const next = [...all.slice(from + 1), ...all.slice(0, from)].find((one) => this.#isOpen(one) && !one.querySelector("[name=verdict]:checked"));
    if (next !== undefined && this.#inSight() === sheet) {
      this.#show(next);
    }
  }

  #back() {
    const last = this.#said.pop();
    const sheet = this.#sheets().find((one) => code(one) === last);
    const checked = sheet?.querySelector("[name=verdict]:checked");
    if (checked && this.#isOpen(sheet)) {
      checked.checked = false;
      checked.dispatchEvent(new Event("input", { bubbles: true }));
      this.#unsent.delete(last);
      this.#show(sheet);
    }
    this.#tell();
  }

  #show(sheet) {
    this.#desk.querySelector(`[data-desk-open="${CSS.escape(code(sheet))}"]`)?.click();
    sheet.querySelector("[name=verdict]").focus({ preventScroll: true });
  }

  #told({ code: told, is_open: isOpen }) {
    if (!isOpen) {
      this.#unsent.delete(told);
      this.#tell();
    }
  }

  /** What is not saved yet goes first, or its verdict would not be sealed. */
  async #submitted(event) {
    event.preventDefault();
    const waiting = [];
    for (const sheet of this.#sheets()) {
      sheet.dispatchEvent(new CustomEvent("sheet:flush", { detail: waiting }));
    }
    if ((await Promise.all(waiting)).every(Boolean)) {
      this.#form.submit();
      return;
    }
    this.#form.querySelector("[data-sorting-words]").textContent = "Not submitted: some verdicts are not saved yet. Look for the line under their sheets, then submit again.";
  }

  #pressed(event) {
    const isTyping = event.target.closest?.("textarea, input:not([type=radio]), select") != null;
    if (isTyping || event.ctrlKey || event.altKey || event.metaKey || !event.shiftKey) {
      return;
    }
    if (event.key === "Backspace") {
      event.preventDefault();
      this.#back();
      return;
    }
    const pile = PILE_OF_KEY[event.key.toLowerCase()];
    const field = pile && this.#inSight()?.querySelector(`[name=verdict][value=${pile}]`);
    if (field && !field.matches(":disabled")) {
      event.preventDefault();
      event.stopPropagation();
      field.checked = true;
      field.dispatchEvent(new Event("input", { bubbles: true }));
      field.dispatchEvent(new Event("change", { bubbles: true }));
    }
  }

  #tell() {
    this.#undo.disabled = this.#said.length === 0;
    this.#form.querySelector("[data-sorting-words]").textContent = `${this.#unsent.size} sorted and not submitted yet.`;
  }
}

function code(sheet) {
  return sheet.dataset.sheet;
}

document.querySelectorAll("[data-sorting]").forEach((form) => new Sorting(form));
