/** Timed notes as the fields of a form, numbered in order of time as a server numbers them. No page in this file. */

import { secondsOf } from "./words.js";

/** Fields for notes `{ start, end, text, to }`, times as typed. What has no words yet is no note. */
export function fieldsOfNotes(notes) {
  const written = notes.filter((note) => note.text.trim() !== "");
  written.sort((a, b) => (secondsOf(a.start) ?? 0) - (secondsOf(b.start) ?? 0));
  const lines = written.flatMap(({ start, end, text, to }, at) => [
    [`note-start-${at + 1}`, start],
    [`note-end-${at + 1}`, end],
    [`note-text-${at + 1}`, text],
    [`note-to-${at + 1}`, to],
  ]);
  return Object.fromEntries([["notes", "all"], ...lines]);
}

/** The notes in a sheet's fields, in their order. */
export function notesOfFields(fields) {
  const notes = [];
  for (let at = 1; fields[`note-text-${at}`] !== undefined; at += 1) {
    notes.push({ start: fields[`note-start-${at}`], end: fields[`note-end-${at}`], text: fields[`note-text-${at}`], to: fields[`note-to-${at}`] });
  }
  return notes;
}

/** Why the times of a note cannot be, by field; empty strings where they can. */
export function troubleOfTimes(start, end) {
  const [from, to] = [secondsOf(start), end.trim() === "" ? null : secondsOf(end)];
  return {
    start: from === null ? "Write the time like 1:02 or 1:02.5." : "",
    end: end.trim() !== "" && to === null ? "Write the time like 1:02 or 1:02.5." : to !== null && from !== null && to <= from ? "It ends before it starts." : "",
  };
}
