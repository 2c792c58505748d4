/* Add the reader's own time to times shown in a contest's zone: <time datetime="…" data-reader-zone>. */

const zone = Intl.DateTimeFormat().resolvedOptions().timeZone;
const clock = new Intl.DateTimeFormat("en-GB", {
  weekday: "short",
  day: "numeric",
  month: "short",
  year: "numeric",
  hour: "2-digit",
  minute: "2-digit",
  timeZoneName: "longOffset",
});

for (const time of document.querySelectorAll("time[data-reader-zone]")) {
  if (zone && !time.textContent.includes(zone)) {
    const own = document.createElement("span");
    own.className = "note";
    own.textContent = ` For you: ${clock.format(new Date(time.dateTime))}, ${zone}`;
    time.after(own);
  }
}
