/** Numbers as the booth writes and reads them. No page, no audio. */

const CLOCK = /^(?:(\d{1,2}):)?(\d{1,3}):(\d{1,2}(?:\.\d+)?)$/;

/** Seconds as minutes and seconds with one decimal, cut and not rounded, as a clock is read. */
export function timeText(seconds) {
  const tenths = Math.floor(seconds * 10 + 1e-6);
  const minutes = Math.floor(tenths / 600);
  return `${minutes}:${((tenths % 600) / 10).toFixed(1).padStart(4, "0")}`;
}

/** Seconds as minutes and whole seconds. */
export function lengthText(seconds) {
  const whole = Math.floor(seconds + 1e-6);
  return `${Math.floor(whole / 60)}:${String(whole % 60).padStart(2, "0")}`;
}

/** How much of a copy was heard, in words. */
export function heardText(heard_s, length_s) {
  if (heard_s < 0.05) {
    return "not heard yet";
  }
  return heard_s >= length_s - 0.5 ? "heard whole" : `heard ${lengthText(heard_s)} of ${lengthText(length_s)}`;
}

export function gainText(gain_db) {
  return `${gain_db < 0 ? "−" : ""}${Math.abs(gain_db)} dB`;
}

export function rateText(rateHz) {
  return `${rateHz / 1000} kHz`;
}

/** Seconds for `1:02.5`; null for what is no time. The server reads times in the same way. */
export function secondsOf(text) {
  const match = CLOCK.exec(text.trim());
  return match === null || Number(match[3]) >= 60 ? null : 3600 * Number(match[1] ?? 0) + 60 * Number(match[2]) + Number(match[3]);
}
