import { buttonOf, capOf } from "./elements.js";
import { ACTS } from "./keys.js";

/** The list of keys, where each can be changed, and the caps on the buttons that say them. */
export class KeyPanel {
  #root;
  #keys;
  #waiting = null; // the act whose next key is awaited

  /**
   * @param {Element} root of the booth.
   * @param {import("./keys.js").Keys} keys
   */
  constructor(root, keys) {
    this.#root = root;
    this.#keys = keys;
    const box = this.#part("keys");
    box.checked = keys.areOn;
    box.addEventListener("change", () => {
      keys.areOn = box.checked;
      this.#showCaps();
    });
    this.#part("keys-back").addEventListener("click", () => {
      keys.putBack();
      this.#say("Every act has its first key again.");
      this.#show();
    });
    this.#part("key-lines").addEventListener("click", (event) => this.#ask(event.target.closest("button")?.dataset.act));
    this.#part("key-lines").addEventListener("focusout", () => this.#giveUp());
    this.#show();
  }

  /** Whether the next key is a choice, not an act. Takes it then. */
  takes(event) {
    if (this.#waiting === null || ["Tab", "Shift"].includes(event.key)) {
      return false;
    }
    event.preventDefault();
    if (event.key === "Escape") {
      this.#giveUp();
      return true;
    }
    const act = this.#waiting;
    const refusal = this.#keys.change(act, event.key);
    if (refusal !== null) {
      this.#say(refusal);
      return true;
    }
    this.#waiting = null;
    this.#show();
    this.#say(`${wordsOf(act)} is on the key ${this.#keys.of(act)} now.`);
    this.#part("key-lines").querySelector(`[data-act="${act}"]`).focus();
    return true;
  }

  #part(name) {
    return this.#root.querySelector(`[data-booth-${name}]`);
  }

  #ask(act) {
    if (act === undefined) {
      return;
    }
    this.#waiting = act;
    this.#say(`Press the new key for: ${wordsOf(act)}. Escape leaves it as it is.`);
  }

  #giveUp() {
    if (this.#waiting !== null) {
      this.#waiting = null;
      this.#say("Left as it was.");
    }
  }

  #say(words) {
    this.#part("key-words").textContent = words;
  }

  #show() {
    this.#part("key-lines").replaceChildren(
      ...ACTS.filter(({ act }) => act !== "note" || this.#root.dataset.boothNotes !== undefined).map(({ act, words }) => {
        const line = document.createElement("tr");
        const head = document.createElement("th");
        head.scope = "row";
        head.textContent = words;
        const key = line.insertCell();
        const cap = document.createElement("kbd");
        cap.textContent = this.#keys.of(act);
        key.append(cap);
        const change = buttonOf("Change", { act });
        change.setAttribute("aria-label", `Change the key for: ${words}`);
        line.insertCell().append(change);
        line.prepend(head);
        return line;
      }),
    );
    this.#showCaps();
  }

  #showCaps() {
    for (const button of this.#root.querySelectorAll("[data-booth-do]")) {
      const key = this.#keys.of(button.dataset.boothDo);
      button.querySelector("kbd")?.remove();
      button.removeAttribute("aria-keyshortcuts");
      if (this.#keys.areOn) {
        button.append(" ", capOf(key));
        button.setAttribute("aria-keyshortcuts", key);
      }
    }
  }
}

function wordsOf(act) {
  return ACTS.find((one) => one.act === act).words;
}
