/* Keep a part of the page fresh: <div data-live="/address" data-live-every="2">…</div>
 *
 * The address answers with the HTML that belongs inside. The part is asked for again every so many seconds (2 when
 * nothing is said) until what came holds an element with data-live-done. A page in the background is left alone.
 */

const SLOWEST_S = 30;

function isDone(part) {
  return part.querySelector("[data-live-done]") !== null;
}

/** Follow one part until it is done. Trouble on the line makes the questions rarer; a refusal ends them. */
function follow(part) {
  const everyS = Number(part.dataset.liveEvery) || 2;
  let waitS = everyS;
  let shown = null;

  async function ask() {
    if (document.hidden) {
      document.addEventListener("visibilitychange", ask, { once: true });
      return;
    }
    try {
      const answer = await fetch(part.dataset.live, { credentials: "same-origin", cache: "no-store" });
      if (answer.redirected || (answer.status >= 400 && answer.status < 500)) {
        return; // Signed out, or no longer there: the page as it stands says more than a sign-in form inside it.
      }
      if (!answer.ok) {
        throw new Error(String(answer.status));
      }
      const text = await answer.text();
      if (text !== shown) {
        part.innerHTML = text; // Only a change is announced.
        shown = text;
      }
      waitS = everyS;
    } catch {
      waitS = Math.min(waitS * 2, SLOWEST_S);
    }
    if (!isDone(part)) {
      window.setTimeout(ask, waitS * 1000);
    }
  }

  if (!isDone(part)) {
    window.setTimeout(ask, waitS * 1000);
  }
}

for (const part of document.querySelectorAll("[data-live]")) {
  if (!part.hasAttribute("aria-live")) {
    part.setAttribute("aria-live", "polite");
  }
  follow(part);
}
