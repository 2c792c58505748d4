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

/** The moment as the pages write it: `Fri 4 Dec 2026, 18:00 (UTC+01:00, Europe/Lisbon)`. */
function words(moment) {
  const part = Object.fromEntries(clock.formatToParts(moment).map(({ type, value }) => [type, value]));
  const offset = part.timeZoneName.replace("GMT", "UTC").replace("-", "\u2212");
  return `${part.weekday} ${part.day} ${part.month} ${part.year}, ${part.hour}:${part.minute} (${offset}, ${zone})`;
}

for (const time of document.querySelectorAll("time[data-reader-zone]")) {
  if (zone && !time.textContent.includes(zone)) {
    const own = document.createElement("span");
    own.className = "note";
    own.textContent = `For you ${words(new Date(time.dateTime))}`;
    time.after(document.createElement("br"), own);
  }
}
