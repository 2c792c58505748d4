/* The judge's desk: the sheet of the copy that is heard is the one in sight. <div data-desk> holds booth, list and sheets.
 *
 * Listens to the booth's `booth:copy`, `booth:heard` and `booth:note`, sends it `booth:choose`, and follows the sheets'
 * `sheet:told`. What is heard counts for the session in <section data-session>, which reminds of a rest.
 */

import { SessionPanel } from "./session-panel.js";

const TELL_HEARD_EVERY_MS = 15_000;

class Desk {
  #root;
  #booth;
  #hold;
  #open = null; // code of the sheet in sight
  #heardS = new Map(); // code -> seconds, earlier visits included
  #plays = new Map(); // code -> how often it was turned to and heard, earlier visits included
  #lastHeard = null; // code of the copy that was heard last
  #session;
  #untold = new Set();

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
    root.addEventListener("booth:heard", (event) => this.#heard(event.detail));
    root.addEventListener("booth:note", (event) => this.#note(event.detail));
    root.addEventListener("booth:rest", (event) => this.#session?.isOver && event.preventDefault()); // it is said already
    root.addEventListener("sheet:told", (event) => this.#told(event.detail));
    if (root.dataset.heard !== undefined) {
      window.setInterval(() => this.#tellHeard(), TELL_HEARD_EVERY_MS);
      window.addEventListener("pagehide", () => this.#tellHeard());
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

  #heard({ key, seconds }) {
    const { heardS: earlierS = "0", plays = "0" } = this.#form(key)?.dataset ?? {};
    const beforeS = this.#heardS.get(key) ?? Number(earlierS);
    if (key !== this.#lastHeard) {
      this.#plays.set(key, (this.#plays.get(key) ?? Number(plays)) + 1);
      this.#lastHeard = key;
    }
    this.#heardS.set(key, Number(earlierS) + seconds);
    this.#untold.add(key);
    this.#session?.heard(this.#heardS.get(key) - beforeS, beforeS === 0);
  }

  /** A note is about what sounds, whichever sheet is in sight. */
  #note({ key, seconds }) {
    this.#show(key);
    this.#form(key)?.dispatchEvent(new CustomEvent("sheet:note", { detail: { seconds } }));
  }

  /** Tell the server how long and how often each copy was heard. A lost message does no harm: the next one says more. */
  async #tellHeard() {
    if (this.#untold.size === 0) {
      return;
    }
    const told = Object.fromEntries([...this.#untold].map((code) => [code, { seconds: this.#heardS.get(code), plays: this.#plays.get(code) }]));
    this.#untold.clear();
    const token = this.#root.querySelector("[name=csrfmiddlewaretoken]").value;
    try {
      await fetch(this.#root.dataset.heard, {
        method: "POST",
        credentials: "same-origin",
        keepalive: true,
        headers: { "Content-Type": "application/json", "X-CSRFToken": token },
        body: JSON.stringify(told),
      });
    } catch {
      for (const code of Object.keys(told)) {
        this.#untold.add(code);
      }
    }
  }

  #told({ code, is_open, state_words, state_shape, submitted, needed, about_min }) {
    for (const word of this.#root.querySelectorAll("[data-desk-word]")) {
      if (word.dataset.deskWord === code) {
        word.textContent = state_words;
        word.className = `status ${state_shape}`;
      }
    }
    const progress = document.querySelector("[data-desk-progress]");
    progress.querySelector("[data-desk-words]").textContent = `${submitted} of ${needed} sheets submitted.`;
    progress.querySelector("progress").max = needed;
    progress.querySelector("progress").value = submitted;
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
