/* Add the reader's own time to times shown in a contest's or the site's zone: <time datetime="…" data-reader-zone>. */

const zone = Intl.DateTimeFormat().resolvedOptions().timeZone;
const clock = new Intl.DateTimeFormat("en-US", {
  weekday: "short",
  day: "numeric",
  month: "short",
  year: "numeric",
  hour: "2-digit",
  minute: "2-digit",
  hourCycle: "h23",
  timeZoneName: "longOffset",
});

/** The moment as the pages write it, `Fri 4 Dec 2026, 18:00` and `(UTC+01:00, Europe/Lisbon)`; UTC has no name beside it. */
function words(moment) {
  const part = Object.fromEntries(clock.formatToParts(moment).map(({ type, value }) => [type, value]));
  const offset = part.timeZoneName.replace("GMT", "UTC").replace(/[+-]00:00$/, "").replace("-", "\u2212");
  const where = /^(UTC$|Etc\/)/.test(zone) ? `(${offset})` : `(${offset}, ${zone})`;
  return { when: `${part.weekday} ${part.day} ${part.month} ${part.year}, ${part.hour}:${part.minute}`, where };
}

for (const time of document.querySelectorAll("time[data-reader-zone]")) {
  const { when, where } = words(new Date(time.dateTime));
  if (zone && !time.textContent.trim().endsWith(where)) {
    const own = document.createElement("span");
    own.className = "note";
    own.textContent = `For you ${when} ${where}`;
    time.after(document.createElement("br"), own);
  }
}
