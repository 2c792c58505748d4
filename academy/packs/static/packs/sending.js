/* Send one file or many to a desk: <form data-files data-uploads="…" data-upload-scope="…" data-largest-bytes="…">.
 *
 * Each file goes ahead in parts, then the form follows with the upload's id in its place. One after the other, so that
 * stems come in the order chosen. Without script the same form sends one file whole in the ordinary way.
 */

import { NotSent, Sending } from "../intake/resumable.js";
import { filesWorthSending, progressWords, refusalBefore, troubleWords } from "./sending-words.js";

const TRY_FORM_MS = [0, 1000, 3000, 5000, 10_000];

function follow(form) {
  const progress = form.querySelector("[data-sending]");
  const bar = progress.querySelector("progress");
  const words = progress.querySelector("[data-sending-words]");
  const stop = progress.querySelector("[data-sending-stop]");
  const sent = form.querySelector("[data-sent]");
  const button = form.querySelector("button:not([type])");
  const files = form.querySelector("input[type=file][name]");
  const folder = form.querySelector("input[type=file][webkitdirectory]");
  const token = form.querySelector("input[name=csrfmiddlewaretoken]").value;
  let isStopped = false;

  if (files.hasAttribute("data-files-many")) {
    files.multiple = true;
  }
  if (folder !== null) {
    form.querySelector("[data-files-folder]").hidden = false;
    folder.addEventListener("change", () => {
      files.required = folder.files.length === 0;
    });
  }

  function say(word, sentence) {
    const line = document.createElement("li");
    const status = document.createElement("span");
    status.className = `status ${word === "taken" ? "good" : "bad"}`;
    status.textContent = word;
    line.append(status, ` ${sentence}`);
    sent.append(line);
  }

  function stay(event) {
    event.preventDefault(); // The browser asks before the page, and the upload with it, goes away.
  }

  async function sendForm(uploadId, name) {
    bar.removeAttribute("value"); // How long the look at the file takes is not known.
    const parts = new FormData();
    parts.set("csrfmiddlewaretoken", token);
    parts.set("upload", uploadId);
    parts.set("name", name);
    for (const waitMs of TRY_FORM_MS) {
      await new Promise((resolve) => setTimeout(resolve, waitMs));
      try {
        return await fetch(form.action, { method: "POST", headers: { Accept: "application/json" }, body: parts });
      } catch {
        words.textContent = "The line is broken. What arrived is kept; trying again…";
      }
    }
    throw new NotSent({});
  }

  async function sendOne(file, place) {
    const refusal = refusalBefore({ bytes: file.size, largestBytes: Number(form.dataset.largestBytes), name: file.name });
    if (refusal !== null) {
      throw new NotSent({ status: 413, sentence: refusal });
    }
    const sending = new Sending(file, { endpoint: form.dataset.uploads, token, scope: form.dataset.uploadScope });
    stop.onclick = () => {
      isStopped = true;
      sending.stop();
    };
    const uploadId = await sending.start({
      onProgress: (sentBytes, totalBytes) => {
        bar.value = totalBytes === 0 ? 1 : sentBytes / totalBytes;
        words.textContent = progressWords({ ...place, name: file.name, sentBytes, totalBytes });
      },
      onWaiting: () => {
        words.textContent = "The line is broken. What arrived is kept; trying again…";
      },
    });
    const response = await sendForm(uploadId, file.name);
    const isJson = (response.headers.get("Content-Type") || "").startsWith("application/json");
    const answer = isJson ? await response.json() : {};
    sending.forget(); // Taken or refused, the server has done with it.
    if (response.status !== 201) {
      throw new NotSent({ status: response.redirected ? 403 : response.status, sentence: answer.message });
    }
    return answer.message;
  }

  async function sendAll(chosen) {
    let refused = 0;
    for (const [index, file] of chosen.entries()) {
      try {
        say("taken", await sendOne(file, { number: index + 1, count: chosen.length }));
      } catch (trouble) {
        if (!(trouble instanceof NotSent)) {
          throw trouble;
        }
        refused += 1;
        say("not taken", trouble.sentence ?? troubleWords({ name: file.name, status: trouble.status, isStopped }));
        if (isStopped || trouble.status === 403) {
          break;
        }
      }
    }
    return refused;
  }

  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    const chosen = [...files.files, ...filesWorthSending([...(folder?.files ?? [])])];
    sent.replaceChildren();
    if (chosen.length === 0) {
      say("not taken", "There is no WAV or FLAC file in this folder.");
      return;
    }
    isStopped = false;
    progress.hidden = false;
    button.disabled = true;
    window.addEventListener("beforeunload", stay);
    const refused = await sendAll(chosen);
    window.removeEventListener("beforeunload", stay);
    progress.hidden = true;
    button.disabled = false;
    if (refused === 0) {
      window.location.reload();
    } else {
      const again = document.createElement("a");
      again.href = window.location.href;
      again.textContent = "Show the desk as it is now";
      const line = document.createElement("li");
      line.append(again);
      sent.append(line);
    }
  });
}

for (const form of document.querySelectorAll("form[data-files]")) {
  follow(form);
}
