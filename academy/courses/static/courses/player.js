/* The player of a lesson: <section data-player data-starts-at="…" data-keep="…" data-finished="…" data-token="…">.
 *
 * Chapters and lines of the transcript move the recording instead of loading the page anew; the one being played is
 * marked. Where the member is goes to the server every half minute, on a pause, and when the page goes away.
 */

import { currentIndex, isWorthKeeping } from "./places.js";

const SAFE_VOLUME = 0.25; // -12 dB; a browser's own control goes on from there

function follow(section) {
  const media = section.querySelector("audio, video");
  const lists = [...section.querySelectorAll(".times")].map((list) => [...list.querySelectorAll("[data-at]")]);
  const startsAtS = Number(section.dataset.startsAt);
  let kept = { positionS: startsAtS, atMs: performance.now() };

  media.volume = SAFE_VOLUME;
  media.addEventListener(
    "loadedmetadata",
    () => {
      if (startsAtS > 0 && Math.abs(media.currentTime - startsAtS) > 0.5) {
        media.currentTime = startsAtS; // where a browser does not read the time in the address
      }
    },
    { once: true },
  );

  for (const link of lists.flat()) {
    link.addEventListener("click", (event) => {
      event.preventDefault();
      media.currentTime = Number(link.dataset.at);
      media.play().catch(() => {}); // a browser may ask for one more press
    });
  }

  function mark() {
    for (const links of lists) {
      const current = currentIndex(links.map((link) => Number(link.dataset.at)), media.currentTime);
      links.forEach((link, index) => {
        if (index === current) {
          link.setAttribute("aria-current", "true");
        } else {
          link.removeAttribute("aria-current");
        }
      });
    }
  }

  function send(address, fields) {
    const body = new FormData();
    body.set("csrfmiddlewaretoken", section.dataset.token);
    for (const [name, value] of Object.entries(fields)) {
      body.set(name, value);
    }
    navigator.sendBeacon(address, body);
  }

  function keep({ isLast }) {
    const now = { positionS: media.currentTime, atMs: performance.now() };
    if (section.dataset.keep && !media.ended && isWorthKeeping(kept, now, { isLast })) {
      send(section.dataset.keep, { position_s: now.positionS.toFixed(3) });
      kept = now;
    }
  }

  media.addEventListener("timeupdate", () => {
    mark();
    keep({ isLast: false });
  });
  media.addEventListener("pause", () => keep({ isLast: true }));
  document.addEventListener("visibilitychange", () => {
    if (document.hidden) {
      keep({ isLast: true });
    }
  });
  media.addEventListener("ended", () => {
    if (section.dataset.finished) {
      send(section.dataset.finished, {});
    }
  });
  showCaptions(section, media);
}

/** Sound has no picture to lay captions over: show the line that is being said below it. */
function showCaptions(section, media) {
  const place = section.querySelector("[data-caption]");
  if (place === null || media.textTracks.length === 0) {
    return;
  }
  const [track] = media.textTracks;
  track.mode = "hidden"; // read, not drawn
  place.hidden = false;
  track.addEventListener("cuechange", () => {
    place.replaceChildren(...[...track.activeCues].map((cue) => cue.getCueAsHTML()));
  });
}

for (const section of document.querySelectorAll("[data-player]")) {
  follow(section);
}
