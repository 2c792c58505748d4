/**
 * The booth's keys: which act each does, which may be chosen, what a listener chose. No page in this file.
 *
 * The acts are numbered as the page lists them; what is left goes to marks of punctuation. None is a key that a browser or
 * a screen reader needs for itself: Tab, Enter, Escape, the space bar, arrows, paging and function keys stay theirs, as does
 * everything together with Ctrl, Alt or Meta. `/` and `'` open a search in one browser. The letters are those of the copies.
 */
export const ACTS = [
  { act: "play", key: "1", words: "Play or pause" },
  { act: "back", key: "2", words: "Back by 5 s" },
  { act: "on", key: "3", words: "On by 5 s" },
  { act: "place-before", key: "4", words: "To the section or mark before" },
  { act: "place-after", key: "5", words: "To the next section or mark" },
  { act: "copy-before", key: "6", words: "Copy before" },
  { act: "copy-after", key: "7", words: "Next copy" },
  { act: "copy-last", key: "8", words: "The copy heard before this one" },
  { act: "place-left", key: "9", words: "Back to where I was in this copy" },
  { act: "mark", key: "0", words: "Mark this place" },
  { act: "loop-section", key: "-", words: "Loop this section" },
  { act: "loop-from", key: ",", words: "Loop from here" },
  { act: "loop-to", key: ".", words: "Loop to here" },
  { act: "loop-off", key: "=", words: "End the loop" },
  { act: "pick", key: ";", words: "Put this copy among the few, or take it out" },
  { act: "note", key: "[", words: "Write a note at this place" },
  { act: "noise", key: "\\", words: "Play or stop the noise" },
];

const NAME = "booth keys";
const NOT_OURS = new Set([" ", "/", "'"]);

/** A listener's keys, kept in the browser. */
export class Keys {
  #store;
  #chosen;

  /** @param {{getItem: Function, setItem: Function, removeItem: Function}} store like localStorage. */
  constructor(store) {
    this.#store = store;
    this.#chosen = read(store);
  }

  /** Whether keys act at all. */
  get areOn() {
    return this.#chosen.off !== true;
  }

  set areOn(on) {
    this.#chosen = { ...this.#chosen, off: !on };
    this.#keep();
  }

  /** The key of an act. */
  of(act) {
    return this.#chosen.keys?.[act] ?? ACTS.find((one) => one.act === act).key;
  }

  /** The act of a key; null when it has none. */
  actOf(key) {
    const low = key.toLowerCase();
    return ACTS.find(({ act }) => this.of(act) === low)?.act ?? null;
  }

  /** Give an act another key. Returns why it cannot be, as a sentence, or null when it is done. */
  change(act, key) {
    const low = key.toLowerCase();
    if ([...low].length !== 1 || NOT_OURS.has(low)) {
      return "Browsers and screen readers need that key. Choose a letter, a figure or a mark of punctuation.";
    }
    const holder = this.actOf(low);
    if (holder !== null && holder !== act) {
      return `That key is taken: ${ACTS.find((one) => one.act === holder).words}. Choose another one.`;
    }
    this.#chosen = { ...this.#chosen, keys: { ...this.#chosen.keys, [act]: low } };
    this.#keep();
    return null;
  }

  /** Every act has its first key again. */
  putBack() {
    this.#chosen = { off: this.#chosen.off };
    this.#keep();
  }

  #keep() {
    try {
      this.#store.setItem(NAME, JSON.stringify(this.#chosen));
    } catch {
      // A full or forbidden store: the choice holds until the page is left.
    }
  }
}

/** What was kept, as far as it can be used: somebody may have written anything there. */
function read(store) {
  try {
    const { off, keys } = JSON.parse(store.getItem(NAME)) ?? {};
    const known = Object.entries(keys ?? {}).filter(
      ([act, key]) => ACTS.some((one) => one.act === act) && typeof key === "string" && [...key].length === 1,
    );
    return { off: off === true, keys: Object.fromEntries(known) };
  } catch {
    return {};
  }
}
