/* When a session of hearing is over: after so much sound, or so many mixes that were new. No page in this file. */

export class Session {
  #limits;
  #heardS;
  #mixes;
  #at_s = null; // when something was heard last, by the page's clock

  /**
   * @param {{longestS: number, most: number, restS: number}} limits seconds of sound, new mixes, and the pause that begins anew.
   * @param {{heardS: number, mixes: number}} soFar what the server knows of the session under way.
   */
  constructor(limits, { heardS, mixes }) {
    this.#limits = limits;
    this.#heardS = heardS;
    this.#mixes = mixes;
  }

  get heardS() {
    return this.#heardS;
  }

  get mixes() {
    return this.#mixes;
  }

  /** Some more seconds were heard, at `now_s` of any steady clock; `isNew` where it is a mix never heard before. */
  heard(seconds, now_s, isNew) {
    if (this.#at_s !== null && now_s - this.#at_s >= this.#limits.restS) {
      this.#heardS = 0;
      this.#mixes = 0;
    }
    this.#at_s = now_s;
    this.#heardS += seconds;
    this.#mixes += isNew ? 1 : 0;
  }

  /** Why the session is over: "time", "mixes" for one new mix more than it should have, or null. */
  get over() {
    if (this.#heardS >= this.#limits.longestS) {
      return "time";
    }
    return this.#mixes > this.#limits.most ? "mixes" : null;
  }
}
