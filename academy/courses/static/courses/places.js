/* Where somebody is in a recording. No DOM here: `node --test` reads it too. */

const EVERY_MS = 30_000;
const LEAST_MOVE_S = 2;

/** Which of the times, in order, is the last that has come at `nowS`; -1 before the first. */
export function currentIndex(startsS, nowS) {
  let current = -1;
  startsS.forEach((startS, index) => {
    if (startS <= nowS) {
      current = index;
    }
  });
  return current;
}

/** Whether a place is to be sent: seldom while it plays, and once more at the last moment if it has moved. */
export function isWorthKeeping(before, now, { isLast }) {
  const hasMoved = Math.abs(now.positionS - before.positionS) >= LEAST_MOVE_S;
  return hasMoved && (isLast || now.atMs - before.atMs >= EVERY_MS);
}
