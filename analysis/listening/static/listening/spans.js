/** Stretches of time, `[from, to]` in seconds, in order and apart from each other. No page, no audio. */

/** Stretches closer than this are one: what lies between them is shorter than anybody hears as a hole. */
const APART_S = 0.05;

/** The stretches with one more taken in. Nothing is added by one that has no length. */
export function withSpan(spans, [from, to]) {
  if (!(to > from)) {
    return spans;
  }
  const joined = spans.filter(([start, end]) => start <= to + APART_S && end >= from - APART_S);
  const whole = [Math.min(from, ...joined.map(([start]) => start)), Math.max(to, ...joined.map(([, end]) => end))];
  return [...spans.filter((span) => !joined.includes(span)), whole].sort((a, b) => a[0] - b[0]);
}

/** The seconds in all stretches together. */
export function lengthOf(spans) {
  return spans.reduce((sum, [from, to]) => sum + to - from, 0);
}

/** The latest of some places before `at`; null when there is none. What is nearer than `near_s` is where one is already. */
export function placeBefore(places, at, near_s) {
  return places.filter((place) => place < at - near_s).sort((a, b) => b - a)[0] ?? null;
}

/** The first of some places after `at`, in the same way. */
export function placeAfter(places, at, near_s) {
  return places.filter((place) => place > at + near_s).sort((a, b) => a - b)[0] ?? null;
}
