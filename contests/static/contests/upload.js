/* Send an entry with its progress in sight: <form data-upload data-largest-bytes="…">.
 *
 * Without script the same form is sent in the ordinary way. The server's own sentences are shown in place.
 */

import { Pace, progressWords, refusalBefore, troubleWords } from "./upload-words.js";

function follow(form) {
  const refusal = form.querySelector("[data-upload-refusal]");
  const progress = form.querySelector("[data-upload-progress]");
  const bar = progress.querySelector("progress");
  const words = progress.querySelector("[data-upload-words]");
  const stop = progress.querySelector("[data-upload-stop]");
  const send = form.querySelector("button:not([type])");
  const file = form.querySelector("input[type=file]");
  const earlierStands = form.hasAttribute("data-earlier-stands");

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
    progress.hidden = false;
    bar.value = 0;
    send.disabled = true;
    stop.disabled = false;
    window.addEventListener("beforeunload", stay);
  }

  function end() {
    progress.hidden = true;
    send.disabled = false;
    window.removeEventListener("beforeunload", stay);
  }

  function answered(request) {
    const isJson = (request.getResponseHeader("Content-Type") || "").startsWith("application/json");
    const answer = isJson ? JSON.parse(request.responseText) : {};
    if (request.status === 201 && answer.next) {
      window.location.assign(answer.next);
    } else if (answer.message) {
      refuse(answer.message);
    } else {
      refuse(troubleWords({ status: request.status, isSignedOut: request.status === 200, earlierStands }));
    }
  }

  function upload(parts) {
    const request = new XMLHttpRequest();
    const pace = new Pace();
    request.open("POST", form.action);
    request.setRequestHeader("Accept", "application/json");
    request.upload.addEventListener("progress", (event) => {
      pace.mark(event.loaded, event.timeStamp / 1000);
      words.textContent = progressWords({
        sentBytes: event.loaded,
        totalBytes: event.total,
        bytesPerSecond: pace.bytesPerSecond,
      });
      if (event.loaded < event.total) {
        bar.value = event.loaded / event.total;
      } else {
        bar.removeAttribute("value"); // How long the look at the file takes is not known.
        stop.disabled = true;
      }
    });
    request.addEventListener("load", () => {
      end();
      answered(request);
    });
    request.addEventListener("error", () => {
      end();
      refuse(troubleWords({ status: 0, isSignedOut: false, earlierStands }));
    });
    request.addEventListener("abort", () => {
      end();
      refuse(`You stopped the upload, so nothing was entered.${earlierStands ? " Your earlier entry still stands." : ""}`);
    });
    stop.onclick = () => request.abort();
    request.send(parts);
  }

  form.addEventListener("submit", (event) => {
    event.preventDefault();
    const [chosen] = file.files;
    const largestBytes = Number(form.dataset.largestBytes);
    const sentence = chosen === undefined ? null : refusalBefore({ bytes: chosen.size, largestBytes });
    if (sentence !== null) {
      refuse(sentence);
      return;
    }
    start();
    upload(new FormData(form));
  });
}

for (const form of document.querySelectorAll("form[data-upload]")) {
  follow(form);
}
