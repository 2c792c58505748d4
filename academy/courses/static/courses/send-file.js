/* Send a form's file ahead in parts, then the form with the upload's id in its place:
 * <form data-send-file data-uploads="…" data-scope="…" data-largest-bytes="…">.
 *
 * Without script the same form is sent whole in the ordinary way.
 */

import { NotSent, Sending } from "../intake/resumable.js";

const MEBIBYTE = 1024 ** 2;

function size(bytes) {
  return `${(bytes / MEBIBYTE).toFixed(1)} MiB`;
}

function follow(form) {
  const refusal = form.querySelector("[data-send-refusal]");
  const progress = form.querySelector("[data-send-progress]");
  const bar = progress.querySelector("progress");
  const words = progress.querySelector("[data-send-words]");
  const stop = progress.querySelector("[data-send-stop]");
  const send = form.querySelector("button:not([type])");
  const file = form.querySelector("input[type=file]");
  const upload = form.querySelector("input[name=upload]");
  const largestBytes = Number(form.dataset.largestBytes);

  function refuse(sentence) {
    const panel = document.createElement("div");
    panel.className = "refusal";
    const line = document.createElement("p");
    line.textContent = sentence;
    panel.append(line);
    refusal.replaceChildren(panel);
  }

  function stay(event) {
    event.preventDefault(); // The browser asks before the page, and the upload with it, goes away.
  }

  function setBusy(isBusy) {
    progress.hidden = !isBusy;
    send.disabled = isBusy;
    window[isBusy ? "addEventListener" : "removeEventListener"]("beforeunload", stay);
  }

  async function sendAhead(chosen) {
    const token = form.querySelector("input[name=csrfmiddlewaretoken]").value;
    const sending = new Sending(chosen, { endpoint: form.dataset.uploads, token, scope: form.dataset.scope });
    stop.onclick = () => sending.stop();
    const id = await sending.start({
      onProgress: (sentBytes, totalBytes) => {
        bar.value = sentBytes / totalBytes;
        words.textContent = `${size(sentBytes)} of ${size(totalBytes)}`;
      },
      onWaiting: () => {
        words.textContent = "The line is broken. What arrived is kept; trying again…";
      },
    });
    sending.forget();
    return id;
  }

  form.addEventListener("submit", async (event) => {
    const [chosen] = file.files;
    if (chosen === undefined || chosen.size === 0) {
      return; // The server has the words for it.
    }
    event.preventDefault();
    if (chosen.size > largestBytes) {
      refuse(`The file is ${size(chosen.size)}; at most ${size(largestBytes)} are taken.`);
      return;
    }
    refusal.replaceChildren();
    setBusy(true);
    try {
      upload.value = await sendAhead(chosen);
    } catch (trouble) {
      setBusy(false);
      if (!(trouble instanceof NotSent)) {
        throw trouble;
      }
      refuse(trouble.isStopped ? "You stopped the upload. Send the same file again and it goes on from there." : (trouble.sentence ?? "The file could not be sent. Send the same file again and it goes on from where it stopped."));
      return;
    }
    words.textContent = "All has arrived. The file is being looked at…";
    file.disabled = true; // It is there already.
    window.removeEventListener("beforeunload", stay);
    form.submit();
  });
}

for (const form of document.querySelectorAll("form[data-send-file]")) {
  follow(form);
}
