/* Send a practice mix with its progress in sight: <form data-upload data-uploads="…" data-upload-scope="…" …>.
 *
 * The file goes ahead in parts, then the form follows with the upload's id in its place. Without script the same form
 * is sent whole in the ordinary way. The server's own sentences are shown in place.
 */

import { NotSent, Sending } from "../intake/resumable.js";

const MEBIBYTE = 1024 ** 2;
const TRY_FORM_MS = [0, 1000, 3000, 5000, 10_000];

const KEPT = "What arrived is kept: send the same file again and it goes on from there.";
const WAITING = "The line is broken. What arrived is kept; trying again…";

function size(bytes) {
  return `${(bytes / MEBIBYTE).toFixed(1)} MiB`;
}

/** What is said when no sentence came from the server. `status` is 0 for a broken line. */
function troubleWords(status) {
  if (status === 401 || status === 403) {
    return `You are no longer signed in. Open this page again and sign in. ${KEPT}`;
  }
  if (status === 0) {
    return `The line broke. ${KEPT}`;
  }
  if (status === 413) {
    return "The file is larger than the server takes. Export it as FLAC and upload that.";
  }
  return `The server could not take the file (error ${status}); this is not your file’s fault. Try again in a minute.`;
}

function follow(form) {
  const refusal = form.querySelector("[data-upload-refusal]");
  const progress = form.querySelector("[data-upload-progress]");
  const bar = progress.querySelector("progress");
  const words = progress.querySelector("[data-upload-words]");
  const stop = progress.querySelector("[data-upload-stop]");
  const send = form.querySelector("button:not([type])");
  const file = form.querySelector("input[type=file]");
  const token = form.querySelector("input[name=csrfmiddlewaretoken]").value;

  function refuse(sentence) {
    const panel = document.createElement("div");
    panel.className = "refusal";
    const line = document.createElement("p");
    line.textContent = sentence;
    panel.append(line);
    refusal.replaceChildren(panel);
    panel.scrollIntoView({ block: "nearest" });
  }

  function stay(event) {
    event.preventDefault(); // The browser asks before the page, and the upload with it, goes away.
  }

  function show(isUnderWay) {
    progress.hidden = !isUnderWay;
    send.disabled = isUnderWay;
    window[isUnderWay ? "addEventListener" : "removeEventListener"]("beforeunload", stay);
  }

  async function sendFile(sending) {
    stop.disabled = false;
    stop.onclick = () => sending.stop();
    return sending.start({
      onProgress: (sentBytes, totalBytes) => {
        bar.value = sentBytes / totalBytes;
        words.textContent =
          sentBytes < totalBytes
            ? `${size(sentBytes)} of ${size(totalBytes)}`
            : `All ${size(totalBytes)} arrived. The file is being looked at…`;
      },
      onWaiting: () => {
        words.textContent = WAITING;
      },
    });
  }

  /** Send the form after its file, again where no answer came: the server knows a form that comes twice. */
  async function sendForm(uploadId) {
    bar.removeAttribute("value"); // How long the look at the file takes is not known.
    stop.disabled = true;
    const parts = new FormData(form);
    parts.delete(file.name);
    parts.set("upload", uploadId);
    for (const waitMs of TRY_FORM_MS) {
      await new Promise((resolve) => setTimeout(resolve, waitMs));
      try {
        return await fetch(form.action, { method: "POST", headers: { Accept: "application/json" }, body: parts });
      } catch {
        words.textContent = WAITING;
      }
    }
    throw new NotSent({});
  }

  async function submit(chosen) {
    const sending = new Sending(chosen, { endpoint: form.dataset.uploads, token, scope: form.dataset.uploadScope });
    const response = await sendForm(await sendFile(sending));
    const isJson = (response.headers.get("Content-Type") || "").startsWith("application/json");
    const answer = isJson ? await response.json() : {};
    if (response.status !== 201 || !answer.next) {
      throw new NotSent({ status: response.redirected ? 403 : response.status, sentence: answer.message });
    }
    sending.forget();
    return answer.next;
  }

  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    const [chosen] = file.files;
    const largestBytes = Number(form.dataset.largestBytes);
    if (chosen.size > largestBytes) {
      refuse(`The file is ${size(chosen.size)}; at most ${size(largestBytes)} are taken. Export it as FLAC and upload that.`);
      return;
    }
    refusal.replaceChildren();
    bar.value = 0;
    words.textContent = "";
    show(true);
    try {
      const next = await submit(chosen);
      show(false);
      window.location.assign(next);
    } catch (trouble) {
      show(false);
      if (!(trouble instanceof NotSent)) {
        throw trouble;
      }
      refuse(trouble.isStopped ? `You stopped the upload. ${KEPT}` : (trouble.sentence ?? troubleWords(trouble.status)));
    }
  });
}

for (const form of document.querySelectorAll("form[data-upload]")) {
  follow(form);
}
