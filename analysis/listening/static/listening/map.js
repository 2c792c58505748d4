import { svgOf } from "./elements.js";

/**
 * The map of a copy: what was heard of it, sections, marks, the loop, the playhead, and where the set-up allows it the
 * outline of the sound. A picture for the eyes; everything in it is in words elsewhere in the booth.
 */

const WIDTH = 1000;
const HEIGHT = 44;
const RIBBON = 5; // the strip of what was heard, along the foot

export class BoothMap {
  #svg;
  #length_s;
  #layers;
  #outline = null; // base64 of what is drawn

  constructor(svg, length_s) {
    this.#svg = svg;
    this.#length_s = length_s;
    svg.setAttribute("viewBox", `0 0 ${WIDTH} ${HEIGHT}`);
    svg.setAttribute("preserveAspectRatio", "none");
    const names = ["outline", "loop", "heard", "places", "head"];
    this.#layers = Object.fromEntries(names.map((name) => [name, svgOf("g", { class: `booth-map-${name}` })]));
    svg.replaceChildren(...Object.values(this.#layers));
    this.#layers.head.append(svgOf("rect", { y: 0, width: 2, height: HEIGHT }));
  }

  /** The seconds under a pointer. */
  placeOf(event) {
    const { left, width } = this.#svg.getBoundingClientRect();
    return Math.min(1, Math.max(0, (event.clientX - left) / width)) * this.#length_s;
  }

  showPosition(seconds) {
    this.#layers.head.firstChild.setAttribute("x", this.#x(seconds) - 1);
  }

  showHeard(spans) {
    this.#layers.heard.replaceChildren(...ribbon(spans, this.#length_s, HEIGHT - RIBBON));
  }

  /** @param {[number, number]|null} loop in seconds. */
  showLoop(loop) {
    const parts = loop === null ? [] : [loop].map(([from, to]) => svgOf("rect", { x: this.#x(from), y: 0, width: this.#x(to - from), height: HEIGHT }));
    this.#layers.loop.replaceChildren(...parts);
  }

  /** Sections as full lines, the listener's marks as short ones from the top. */
  showPlaces(sections_s, marks_s) {
    const lines = [
      ...sections_s.map((place) => svgOf("rect", { x: this.#x(place), y: 0, width: 1, height: HEIGHT })),
      ...marks_s.map((place) => svgOf("path", { d: `M${this.#x(place) - 5} 0h10l-5 10z` })),
    ];
    this.#layers.places.replaceChildren(...lines);
  }

  /** Draw an outline, base64 of one byte a column; undefined draws none. */
  showOutline(map) {
    if (map !== this.#outline) {
      this.#outline = map;
      this.#layers.outline.replaceChildren(...(map === undefined ? [] : [svgOf("path", { d: outlinePath(map) })]));
    }
  }

  #x(seconds) {
    return (seconds / this.#length_s) * WIDTH;
  }
}

/** A strip under a copy's button: what was heard of it. */
export function stripOf(length_s) {
  const svg = svgOf("svg", { class: "booth-strip", viewBox: `0 0 ${WIDTH} ${RIBBON}`, preserveAspectRatio: "none", "aria-hidden": "true" });
  return { svg, show: (spans) => svg.replaceChildren(...ribbon(spans, length_s, 0)) };
}

function ribbon(spans, length_s, y) {
  return spans.map(([from, to]) =>
    svgOf("rect", { x: (from / length_s) * WIDTH, y, width: ((to - from) / length_s) * WIDTH, height: RIBBON }),
  );
}

function outlinePath(map) {
  const swings = Uint8Array.from(atob(map), (letter) => letter.charCodeAt(0));
  const middle = (HEIGHT - RIBBON) / 2;
  const step = WIDTH / swings.length;
  const edge = [...swings].map((swing, n) => [n * step, Math.max(0.5, (swing / 255) * middle)]);
  const upper = edge.map(([x, swing]) => `${x.toFixed(1)} ${(middle - swing).toFixed(1)}`);
  const lower = edge.reverse().map(([x, swing]) => `${x.toFixed(1)} ${(middle + swing).toFixed(1)}`);
  return `M${[...upper, ...lower].join("L")}z`;
}
