/* The session on the judge's page: how much of it is over, and the reminder of a rest. Nothing is forced. */

import { lengthText } from "../listening/words.js";
import { Session } from "./session.js";

const WHY = {
  time: (session) => `This session is over: you have heard ${lengthText(session.heardS)} since your last rest.`,
  mixes: (session) => `This session is over: you have begun ${session.mixes} mixes since your last rest.`,
};

export class SessionPanel {
  #root;
  #session;
  #isAway = false; // the reminder was read, and is not shown again before the next rest

  /** @param {HTMLElement} root the `data-session` element. */
  constructor(root) {
    this.#root = root;
    const { sessionLongestS, sessionMost, sessionRestS, sessionHeardS, sessionMixes } = root.dataset;
    this.#session = new Session(
      { longestS: Number(sessionLongestS), most: Number(sessionMost), restS: Number(sessionRestS) },
      { heardS: Number(sessionHeardS), mixes: Number(sessionMixes) },
    );
    this.#part("away").addEventListener("click", () => {
      this.#isAway = true;
      this.#show();
      document.querySelector("[data-booth-do=play]")?.focus(); // the button that was pressed is gone
    });
    this.#show();
  }

  get isOver() {
    return this.#session.over !== null;
  }

  /** Some seconds of a mix were heard; `isNew` where nothing of it was ever heard before. */
  heard(seconds, isNew) {
    this.#session.heard(seconds, performance.now() / 1000, isNew);
    this.#show();
  }

  #part(name) {
    return this.#root.querySelector(`[data-session-${name}]`);
  }

  #show() {
    const { over, heardS, mixes } = this.#session;
    this.#part("bar").value = heardS;
    this.#part("heard").textContent = lengthText(heardS);
    this.#part("new").textContent = String(mixes);
    if (over === null) {
      this.#isAway = false;
    } else if (this.#part("why").textContent === "") {
      this.#part("why").textContent = WHY[over](this.#session); // once: it is a live region
    }
    this.#part("over").hidden = over === null || this.#isAway;
    if (over === null) {
      this.#part("why").textContent = "";
    }
  }
}
