import { buttonOf, spanOf } from "./elements.js";
import { stripOf } from "./map.js";
import { heardText } from "./words.js";

/** The row of copies: a button each with what was heard of it, and boxes to pick a few. */

let rows = 0;

export class CopyRow {
  #cells = new Map(); // key -> { cell, button, box, about, strip }
  #length_s;
  #isPicking = false;
  #few = [];
  #chosen = null;

  /**
   * @param {object} parts
   * @param {Element} parts.row where the copies go.
   * @param {Element} parts.abouts a hidden place for what is said of each button.
   * @param {object[]} parts.copies of the set.
   * @param {number} parts.length_s of every copy.
   * @param {(key: string) => void} parts.choose a button was pressed.
   * @param {(keys: string[]) => void} parts.pick the boxes that are ticked now.
   */
  constructor({ row, abouts, copies, length_s, choose, pick }) {
    this.#length_s = length_s;
    rows += 1;
    copies.forEach((copy, n) => this.#cells.set(copy.key, cellOf(copy, `booth-${rows}-copy-${n + 1}`, length_s)));
    const cells = [...this.#cells.values()];
    row.replaceChildren(...cells.map(({ cell }) => cell));
    abouts.replaceChildren(...cells.map(({ about }) => about));
    row.addEventListener("click", (event) => {
      const key = event.target.closest("button")?.dataset.key;
      if (key !== undefined) {
        choose(key);
      }
    });
    row.addEventListener("change", () => pick([...this.#cells].filter(([, { box }]) => box.checked).map(([key]) => key)));
    this.#show();
  }

  showChosen(key) {
    this.#chosen = key;
    for (const [other, { button }] of this.#cells) {
      button.setAttribute("aria-pressed", String(other === key));
    }
    this.#show();
  }

  /** The copy that a change-over waits for; null when none does. */
  showWish(key) {
    for (const [other, { button }] of this.#cells) {
      button.toggleAttribute("data-waiting", other === key);
    }
  }

  showHeard(key, spans, heard_s) {
    const { about, strip } = this.#cells.get(key);
    strip.show(spans);
    about.textContent = heardText(heard_s, this.#length_s);
  }

  /** @param {string[]} few the copies that are compared; empty: all. */
  showFew(few) {
    this.#few = few;
    for (const [key, { box }] of this.#cells) {
      box.checked = few.includes(key);
    }
    this.#show();
  }

  /** Show the boxes and every copy, or put the boxes away and leave the few. */
  set isPicking(on) {
    this.#isPicking = on;
    this.#show();
  }

  get isPicking() {
    return this.#isPicking;
  }

  #show() {
    for (const [key, { cell, box }] of this.#cells) {
      box.parentElement.hidden = !this.#isPicking;
      cell.hidden = !this.#isPicking && this.#few.length > 0 && !this.#few.includes(key) && key !== this.#chosen;
    }
  }
}

function cellOf(copy, id, length_s) {
  const button = buttonOf(spanOf("booth-letter", copy.label), { key: copy.key });
  button.setAttribute("aria-pressed", "false");
  button.setAttribute("aria-describedby", id);
  if (copy.label.length === 1) {
    button.setAttribute("aria-keyshortcuts", copy.label.toLowerCase());
  }
  if (copy.name !== null) {
    button.append(" ", spanOf("booth-name", copy.name));
  }
  if (copy.exaggerated) {
    button.append(" ", spanOf("booth-remark", "exaggerated on purpose"));
  }
  const about = spanOf("", heardText(0, length_s));
  about.id = id;
  const box = document.createElement("input");
  box.type = "checkbox";
  box.setAttribute("aria-label", `Compare copy ${copy.label}`);
  const label = document.createElement("label");
  label.className = "booth-tick";
  label.append(box, " compare");
  const strip = stripOf(length_s);
  const cell = document.createElement("div");
  cell.className = "booth-copy";
  cell.append(button, strip.svg, label);
  return { cell, button, box, about, strip };
}
