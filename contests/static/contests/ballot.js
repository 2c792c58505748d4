import { HeardLog } from "./heard.js";

/* A ballot beside its booth: <div data-ballot>. Its forms work by themselves; here they are sent without leaving the
 * page, so that what sounds goes on, and the part of the order is taken out of the page that answers.
 */

class Ballot {
  #root;
  #log;

  constructor(root) {
    this.#root = root;
    this.#log = new HeardLog({
      address: root.dataset.heard,
      token: () => root.querySelector("[name=csrfmiddlewaretoken]").value,
      earlier: (code) => ({ seconds: Number(this.#heardLine(code)?.dataset.heardS ?? 0), plays: 0 }),
    });
    root.addEventListener("booth:heard", (event) => {
      this.#log.note(event.detail);
      this.#showHeard();
    });
    root.addEventListener("click", (event) => {
      if (event.target.closest("[aria-disabled=true]") !== null) {
        event.preventDefault(); // at the end of the order already
      }
    });
    root.addEventListener("submit", (event) => this.#send(event));
  }

  #heardLine(code) {
    return [...this.#root.querySelectorAll("[data-line-heard]")].find((one) => one.dataset.lineHeard === code);
  }

  #showHeard() {
    for (const [code, { seconds: heardS }] of this.#log.heard) {
      const line = this.#heardLine(code);
      if (line === undefined) {
        continue;
      }
      const leastS = Number(line.dataset.leastS);
      line.textContent = `heard ${clock(heardS)} of at least ${clock(leastS)}`;
      line.classList.toggle("good", heardS >= leastS);
      line.classList.toggle("waiting", heardS < leastS);
    }
  }

  async #send(event) {
    const { submitter, target: form } = event;
    event.preventDefault();
    await this.#log.tell(); // first, so that the server knows how long each mix was heard
    if (form.matches("[data-ballot-submit]")) {
      form.submit(); // sealing ends the listening, so the whole page may come anew
      return;
    }
    const body = new FormData(form);
    body.set(submitter.name, submitter.value);
    let page;
    try {
      const answer = await fetch(form.action, { method: "POST", credentials: "same-origin", body });
      page = new DOMParser().parseFromString(await answer.text(), "text/html");
    } catch {
      this.#say("The connection is down; nothing was changed. Try again.");
      return;
    }
    const order = page.querySelector("[data-ballot-order]");
    if (order === null) {
      window.location.reload(); // signed out, or the vote has ended: the page says which
      return;
    }
    this.#root.querySelector("[data-ballot-order]").replaceWith(order);
    this.#showHeard();
    this.#follow(submitter.value);
  }

  /** Keep the keyboard at the mix that was moved, and say where it is now. */
  #follow(move) {
    const code = move.slice(move.indexOf(":") + 1);
    const line = [...this.#root.querySelectorAll("[data-line]")].find((one) => one.dataset.line === code);
    const buttons = [...(line?.querySelectorAll("button") ?? [])];
    (buttons.find((button) => button.value === move) ?? buttons[0])?.focus();
    if (line !== undefined) {
      const place = line.querySelector(".ballot-place").textContent;
      const name = line.querySelector("strong").textContent;
      this.#say(place === "–" ? `${name} is not placed.` : `${name} is number ${place}.`);
    }
  }

  #say(words) {
    this.#root.querySelector("[data-ballot-words]").textContent = words;
  }
}

function clock(seconds) {
  const whole = Math.floor(seconds);
  return `${Math.floor(whole / 60)}:${String(whole % 60).padStart(2, "0")}`;
}

for (const root of document.querySelectorAll("[data-ballot]")) {
  new Ballot(root);
}
