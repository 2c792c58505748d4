/* The judge's desk: the sheet of the copy that is heard is the one in sight. <div data-desk> holds booth, list and sheets.
 *
 * Listens to the booth's `booth:copy`, `booth:heard` and `booth:note`, sends it `booth:choose`, and follows the sheets'
 * `sheet:told`. What is heard counts for the session in <section data-session>, which reminds of a rest.
 */

import { HeardLog } from "./heard.js";
import { SessionPanel } from "./session-panel.js";

class Desk {
  #root;
  #booth;
  #hold;
  #open = null; // code of the sheet in sight
  #session;

  constructor(root) {
    this.#root = root;
    this.#booth = root.querySelector("[data-booth]");
    this.#hold = root.querySelector("[data-desk-hold]");
    root.querySelector("[data-desk-hold-line]").hidden = this.#booth === null;
    this.#open = root.querySelector("[data-desk-sheet]:not([hidden])")?.dataset.deskSheet ?? null;
    const session = document.querySelector("[data-session]");
    this.#session = session && new SessionPanel(session);
    root.addEventListener("click", (event) => this.#clicked(event));
    root.addEventListener("booth:copy", (event) => this.#copy(event.detail.key));
    root.addEventListener("booth:note", (event) => this.#note(event.detail));
    root.addEventListener("booth:rest", (event) => this.#session?.isOver && event.preventDefault()); // it is said already
    root.addEventListener("sheet:told", (event) => this.#told(event.detail));
    if (root.dataset.heard !== undefined) {
      const log = new HeardLog({
        address: root.dataset.heard,
        token: () => root.querySelector("[name=csrfmiddlewaretoken]").value,
        earlier: (code) => {
          const { heardS = "0", plays = "0" } = this.#form(code)?.dataset ?? {};
          return { seconds: Number(heardS), plays: Number(plays) };
        },
      });
      root.addEventListener("booth:heard", (event) => {
        const { risenS, isFirst } = log.note(event.detail);
        this.#session?.heard(risenS, isFirst);
      });
    }
  }

  #sheet(code) {
    return [...this.#root.querySelectorAll("[data-desk-sheet]")].find((one) => one.dataset.deskSheet === code);
  }

  #form(code) {
    return this.#sheet(code)?.querySelector("form[data-sheet]");
  }

  #clicked(event) {
    if (event.target.closest("[data-booth-ready]") !== null) {
      this.#choose(this.#open); // The booth has just opened: it begins with the sheet in sight.
      return;
    }
    const link = event.target.closest("[data-desk-open]");
    if (link === null || event.ctrlKey || event.altKey || event.metaKey || event.shiftKey) {
      return;
    }
    event.preventDefault();
    this.#show(link.dataset.deskOpen);
    this.#choose(link.dataset.deskOpen);
    if (event.detail === 0) {
      this.#root.querySelector(".desk-sheets").focus(); // the Enter key: the keyboard goes on at the sheet, not in the booth
    }
  }

  #choose(key) {
    this.#booth?.dispatchEvent(new CustomEvent("booth:choose", { detail: { key } }));
  }

  #copy(code) {
    if (this.#hold.checked && code !== this.#open) {
      this.#apart(`You hear mix ${this.#label(code)}; the sheet in sight is for mix ${this.#label(this.#open)}.`);
    } else {
      this.#show(code);
    }
  }

  #show(code) {
    if (this.#sheet(code) === undefined) {
      return;
    }
    for (const sheet of this.#root.querySelectorAll("[data-desk-sheet]")) {
      sheet.hidden = sheet.dataset.deskSheet !== code;
    }
    for (const link of this.#root.querySelectorAll("[data-desk-open]")) {
      if (link.dataset.deskOpen === code) {
        link.setAttribute("aria-current", "true");
      } else {
        link.removeAttribute("aria-current");
      }
    }
    this.#open = code;
    this.#apart("");
  }

  #apart(sentence) {
    const line = this.#root.querySelector("[data-desk-apart]");
    line.textContent = sentence;
    line.hidden = sentence === "";
  }

  /** The line of the next sheet that takes something, after a code and around the end; null when none does. */
  #next(code) {
    const links = [...this.#root.querySelectorAll("[data-desk-open]")];
    const at = links.findIndex((link) => link.dataset.deskOpen === code);
    const others = [...links.slice(at + 1), ...links.slice(0, at)];
    return others.find((link) => this.#form(link.dataset.deskOpen)?.querySelector("fieldset:enabled")) ?? null;
  }

  #label(code) {
    return this.#form(code)?.dataset.label;
  }

  /** A note is about what sounds, whichever sheet is in sight. */
  #note({ key, seconds }) {
    this.#show(key);
    this.#form(key)?.dispatchEvent(new CustomEvent("sheet:note", { detail: { seconds } }));
  }

  #told({ code, is_open, state_words, state_shape, submitted, needed, listed, about_min }) {
    for (const word of this.#root.querySelectorAll("[data-desk-word]")) {
      if (word.dataset.deskWord === code) {
        word.textContent = state_words;
        word.className = `status ${state_shape}`;
      }
    }
    const progress = document.querySelector("[data-desk-progress]");
    progress.querySelector("[data-desk-words]").textContent = `${submitted} of ${needed} sheets submitted.`;
    if (listed > this.#root.querySelectorAll("[data-desk-open]").length) {
      progress.querySelector("[data-desk-grown]").hidden = false; // The page has fewer mixes than the list by now.
    }
    const bar = progress.querySelector("progress");
    bar.max = needed;
    bar.value = submitted;
    progress.querySelector("[data-desk-about]").hidden = about_min === null;
    progress.querySelector("[data-desk-minutes]").textContent = about_min ?? "";
    if (!is_open) {
      this.#next(code)?.focus(); // The button that was pressed is gone; here the keyboard goes on.
    }
  }
}

for (const root of document.querySelectorAll("[data-desk]")) {
  new Desk(root);
}
