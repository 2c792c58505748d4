/* Send a form's file with its progress in sight: <form data-upload …>, which includes intake/uploading.html.
 *
 * The file goes ahead in parts, then the form follows with the upload's id in its place. The server's own sentences
 * are shown in place. Without script the same form is sent whole in the ordinary way. What a page says of itself:
 *
 *   data-uploads              where uploads begin
 *   data-upload-scope         the member and what the file is for, so that the same file goes on where it stopped
 *   data-largest-bytes        the most that is taken
 *   data-upload-smaller       what to do with a larger one, where that is not to send it as FLAC
 *   data-upload-undone        what did not happen when a file did not arrive, such as “nothing was entered”
 *   data-upload-still         a sentence about what holds all the same
 *   data-upload-look          what to do after trouble of the server's, where it is not to try again in a minute
 *
 * A file field with data-upload-many takes many files, and [data-upload-folder] a folder of them; they go one after
 * the other, so that they come in the order chosen.
 */

import { NotSent, Sending, throwAway, underWay } from "./resumable.js";
import { filesWorthSending, Pace, progressWords, refusalBefore, stillUnderWayWords, troubleWords, WAITING } from "./upload-words.js";

const TRY_FORM_MS = [0, 1000, 3000, 5000, 10_000];

function follow(form) {
  const find = (name) => form.querySelector(`[data-upload-${name}]`);
  const [refusal, others, sent, progress, words, stop] = ["refusal", "others", "sent", "progress", "words", "stop"].map(find);
  const bar = progress.querySelector("progress");
  const send = form.querySelector("button:not([type])");
  const files = form.querySelector("input[type=file][name]");
  const folder = form.querySelector("input[type=file][webkitdirectory]");
  const token = form.querySelector("input[name=csrfmiddlewaretoken]").value;
  const { uploads: endpoint, uploadScope: scope, uploadSmaller, uploadUndone, uploadStill, uploadLook } = form.dataset;
  const page = { smaller: uploadSmaller, undone: uploadUndone, still: uploadStill, look: uploadLook };
  const takesMany = files.hasAttribute("data-upload-many");
  let isStopped = false;

  files.multiple = takesMany;
  if (folder !== null) {
    find("folder").hidden = false;
    folder.addEventListener("change", () => {
      files.required = folder.files.length === 0;
    });
  }

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
    isStopped = false;
    refusal.replaceChildren();
    sent?.replaceChildren();
    others.hidden = true;
    progress.hidden = false;
    send.disabled = true;
    window.addEventListener("beforeunload", stay);
  }

  function end() {
    progress.hidden = true;
    send.disabled = false;
    window.removeEventListener("beforeunload", stay);
  }

  /** Send one file; its upload's id. `turn` says which of many it is, and is empty for the only one. */
  async function sendFile(sending, turn) {
    const pace = new Pace();
    bar.value = 0;
    words.textContent = "";
    stop.disabled = false;
    stop.onclick = () => {
      isStopped = true;
      sending.stop();
    };
    return sending.start({
      onProgress: (sentBytes, totalBytes) => {
        pace.mark(sentBytes, performance.now() / 1000);
        words.textContent = progressWords({ ...turn, sentBytes, totalBytes, bytesPerSecond: pace.bytesPerSecond });
        bar.value = totalBytes === 0 ? 1 : sentBytes / totalBytes;
      },
      onWaiting: () => {
        words.textContent = WAITING;
      },
    });
  }

  /** Send the form after its file, again where no answer came: of one upload nothing is made twice. */
  async function sendForm(uploadId, name) {
    bar.removeAttribute("value"); // How long the look at the file takes is not known.
    stop.disabled = !takesMany; // Of many files the next ones can still be stopped.
    stop.onclick = () => {
      isStopped = true;
    };
    const parts = new FormData(form);
    parts.delete(files.name);
    parts.set("upload", uploadId);
    parts.set("name", name);
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

  /** Send one file and the form after it; the server's answer. Throws NotSent. */
  async function sendOne(file, turn) {
    const sentence = refusalBefore({ ...page, ...turn, bytes: file.size, largestBytes: Number(form.dataset.largestBytes), fileName: file.name });
    if (sentence !== null) {
      throw new NotSent({ sentence });
    }
    const sending = new Sending(file, { endpoint, token, scope });
    const response = await sendForm(await sendFile(sending, turn), file.name);
    const isJson = (response.headers.get("Content-Type") || "").startsWith("application/json");
    const answer = isJson ? await response.json() : {};
    if (response.status !== 201) {
      throw new NotSent({ status: response.redirected ? 403 : response.status, sentence: answer.message });
    }
    sending.forget();
    return answer;
  }

  function sentenceOf(trouble, turn) {
    if (!(trouble instanceof NotSent)) {
      throw trouble;
    }
    return trouble.sentence ?? troubleWords({ ...page, ...turn, status: trouble.status, isStopped: trouble.isStopped });
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
      line.append(`${stillUnderWayWords(upload)} `, button);
      others.append(line);
    }
    others.hidden = others.children.length === 0;
  }

  /** Say why a file did not arrive, with `tell`, and what to throw away where that is the way on. */
  async function explain(trouble, turn, tell) {
    tell(sentenceOf(trouble, turn));
    if (trouble.status === 429 || trouble.status === 413) {
      await listOthers();
    }
  }

  async function sendTheOne(chosen) {
    try {
      const answer = await sendOne(chosen, {});
      end();
      window.location.assign(answer.next);
    } catch (trouble) {
      end();
      await explain(trouble, {}, refuse);
    }
  }

  function note(word, sentence) {
    const line = document.createElement("li");
    const status = document.createElement("span");
    status.className = `status ${word === "taken" ? "good" : "bad"}`;
    status.textContent = word;
    line.append(status, ` ${sentence}`);
    sent.append(line);
  }

  /** Send them one after the other. Says whether all were taken. */
  async function sendEach(chosen) {
    let isWhole = true;
    for (const [index, file] of chosen.entries()) {
      const turn = { number: index + 1, count: chosen.length, name: file.name };
      try {
        note("taken", (await sendOne(file, turn)).message);
      } catch (trouble) {
        await explain(trouble, turn, (sentence) => note("not taken", sentence));
        isWhole = false;
        if (trouble.status === 401 || trouble.status === 403) {
          break; // So would be every further one.
        }
      }
      if (isStopped) {
        return isWhole && index + 1 === chosen.length;
      }
    }
    return isWhole;
  }

  async function sendMany(chosen) {
    const isWhole = await sendEach(chosen);
    end();
    if (isWhole) {
      window.location.reload();
      return;
    }
    const again = document.createElement("a");
    again.href = window.location.href;
    again.textContent = "Show the page as it is now";
    const line = document.createElement("li");
    line.append(again);
    sent.append(line);
  }

  form.addEventListener("submit", async (event) => {
    const chosen = [...files.files, ...filesWorthSending([...(folder?.files ?? [])])];
    const isEmptyFolder = chosen.length === 0 && folder !== null && folder.files.length > 0;
    if (chosen.length === 0 && !isEmptyFolder) {
      return; // The server has the words for it.
    }
    event.preventDefault();
    if (isEmptyFolder) {
      refuse("There is no WAV or FLAC file in this folder.");
      return;
    }
    start();
    await (takesMany ? sendMany(chosen) : sendTheOne(chosen[0]));
  });
}

for (const form of document.querySelectorAll("form[data-upload]")) {
  follow(form);
}
