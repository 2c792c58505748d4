/* Send an entry with its progress in sight: <form data-upload data-uploads="…" data-upload-scope="…" …>.
 *
 * The file goes ahead in parts, then the form follows with the upload's id in its place. Without script the same form
 * is sent whole in the ordinary way. The server's own sentences are shown in place.
 */

import { NotSent, Sending, throwAway, underWay } from "../intake/resumable.js";
import { Pace, progressWords, refusalBefore, stopWords, troubleWords, uploadWords, waitingWords } from "./upload-words.js";

const TRY_FORM_MS = [0, 1000, 3000, 5000, 10_000];

function follow(form) {
  const refusal = form.querySelector("[data-upload-refusal]");
  const others = form.querySelector("[data-upload-others]");
  const progress = form.querySelector("[data-upload-progress]");
  const bar = progress.querySelector("progress");
  const words = progress.querySelector("[data-upload-words]");
  const stop = progress.querySelector("[data-upload-stop]");
  const send = form.querySelector("button:not([type])");
  const file = form.querySelector("input[type=file]");
  const token = form.querySelector("input[name=csrfmiddlewaretoken]").value;
  const earlierStands = form.hasAttribute("data-earlier-stands");
  const endpoint = form.dataset.uploads;

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

  function start() {
    refusal.replaceChildren();
    others.hidden = true;
    progress.hidden = false;
    bar.value = 0;
    words.textContent = "";
    send.disabled = true;
    stop.disabled = false;
    window.addEventListener("beforeunload", stay);
  }

  function end() {
    progress.hidden = true;
    send.disabled = false;
    window.removeEventListener("beforeunload", stay);
  }

  /** Send the file; its upload's id. */
  async function sendFile(sending) {
    const pace = new Pace();
    stop.onclick = () => sending.stop();
    return sending.start({
      onProgress: (sentBytes, totalBytes) => {
        pace.mark(sentBytes, performance.now() / 1000);
        words.textContent = progressWords({ sentBytes, totalBytes, bytesPerSecond: pace.bytesPerSecond });
        bar.value = sentBytes / totalBytes;
      },
      onWaiting: () => {
        words.textContent = waitingWords();
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
        words.textContent = waitingWords();
      }
    }
    throw new NotSent({});
  }

  async function read(response) {
    const isJson = (response.headers.get("Content-Type") || "").startsWith("application/json");
    return isJson ? response.json() : {};
  }

  async function enter(chosen) {
    const sending = new Sending(chosen, { endpoint, token, scope: form.dataset.uploadScope });
    const response = await sendForm(await sendFile(sending));
    const answer = await read(response);
    if (response.status !== 201 || !answer.next) {
      throw new NotSent({ status: response.redirected ? 403 : response.status, sentence: answer.message });
    }
    sending.forget();
    return answer.next;
  }

  /** What else the member has under way, each with a button to throw it away. */
  async function listOthers() {
    others.replaceChildren();
    for (const upload of await underWay(endpoint)) {
      const line = document.createElement("li");
      const button = document.createElement("button");
      button.type = "button";
      button.className = "plain";
      button.textContent = "Throw away";
      button.setAttribute("aria-label", `Throw away ${upload.name}`);
      button.onclick = async () => {
        if (await throwAway(upload.address, token)) {
          line.remove();
        }
      };
      line.append(`${uploadWords(upload)} `, button);
      others.append(line);
    }
    others.hidden = others.children.length === 0;
  }

  function explain(trouble) {
    if (!(trouble instanceof NotSent)) {
      throw trouble;
    }
    refuse(trouble.isStopped ? stopWords({ earlierStands }) : (trouble.sentence ?? troubleWords({ status: trouble.status, earlierStands })));
    if (trouble.status === 429 || trouble.status === 413) {
      return listOthers();
    }
  }

  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    const [chosen] = file.files;
    const sentence = refusalBefore({ bytes: chosen.size, largestBytes: Number(form.dataset.largestBytes) });
    if (sentence !== null) {
      refuse(sentence);
      return;
    }
    start();
    try {
      const next = await enter(chosen);
      end();
      window.location.assign(next);
    } catch (trouble) {
      end();
      await explain(trouble);
    }
  });
}

for (const form of document.querySelectorAll("form[data-upload]")) {
  follow(form);
}
