"""The text of one cue: its tags and escapes (clause 4.2.2)."""

from __future__ import annotations

import html
import re

from academy.courses.webvtt.faults import Faults
from academy.courses.webvtt.times import read_timestamp

_PLAIN_TAGS = {"c", "i", "b", "u", "ruby", "rt"}
_TAGS_WITH_WORDS = {"v", "lang"}
_START = re.compile(r"([a-z]+)((?:\.[^\t\n\r &<>.]+)*)(?:[ \t]([^\n\r>]*))?")
_REFERENCE = re.compile(r"&(?:[A-Za-z][A-Za-z0-9]*|#[0-9]+|#[xX][0-9A-Fa-f]+);")
_TOKEN = re.compile(r"<[^>]*>?")
_LANGUAGE = re.compile(r"[A-Za-z]{2,8}(?:-[A-Za-z0-9]{1,8})*")


def check_text(lines: list[str], first_line: int, start_ms: int, end_ms: int, faults: Faults) -> None:
    """Note what is wrong with a cue's text, given the cue's times."""
    walk = _Walk(first_line, start_ms, end_ms, faults)
    text = "\n".join(lines)
    after = 0
    for match in _TOKEN.finditer(text):
        walk.take_text(text[after : match.start()])
        walk.take_tag(match[0])
        after = match.end()
    walk.take_text(text[after:])
    walk.finish()


def plain(text: str) -> str:
    """The words of a cue without tags, escapes resolved and lines joined; for reading and searching."""
    words = html.unescape(re.sub(r"<[^>]*>", "", text))
    return " ".join(words.split())


class _Walk:
    """One way through a cue's text."""

    def __init__(self, first_line: int, start_ms: int, end_ms: int, faults: Faults) -> None:
        self._line = first_line
        self._open: list[tuple[str, int]] = []
        self._after_ms = start_ms
        self._end_ms = end_ms
        self._faults = faults
        self._parts = 0  # components outside any span, to know whether a voice stands alone

    def take_text(self, text: str) -> None:
        if text.strip("\n") and not self._open:
            self._parts += 1
        rest = _REFERENCE.sub("", text)
        if "&" in rest:
            self._add("a bare & is not allowed. Write &amp; for the sign itself.")
        self._line += text.count("\n")

    def take_tag(self, tag: str) -> None:
        inside = tag[1:-1]
        if not tag.endswith(">"):
            self._add("a < opens a tag that is never closed. For the sign itself write &lt;.")
        elif inside[:1].isdigit():
            self._take_time(inside)
        elif inside.startswith("/"):
            self._close(inside[1:])
        else:
            self._open_tag(inside)
        self._line += tag.count("\n")

    def finish(self) -> None:
        if [name for name, _ in self._open] == ["v"] and self._parts == 1:
            return  # one voice for the whole cue needs no end
        for name, line in self._open:
            self._faults.add(line, f"<{name}> is never closed. Write </{name}> where it ends.")

    def _open_tag(self, inside: str) -> None:
        match = _START.fullmatch(inside)
        name = match[1] if match else ""
        words = (match[3] or "").strip(" \t") if match else ""
        if name in _TAGS_WITH_WORDS and not words:
            self._add(f"<{name}> needs a word after it, {'a name' if name == 'v' else 'a language'}.")
        elif name == "lang" and not _LANGUAGE.fullmatch(words):
            self._add(f"“{words[:30]}” is no language tag. Write one like en or pt-BR.")
        elif name in _PLAIN_TAGS and match and match[3] is not None:
            self._add(f"<{name}> takes no words after it.")
        elif name == "rt" and (not self._open or self._open[-1][0] != "ruby"):
            self._add("<rt> belongs inside <ruby>.")
        elif name not in _PLAIN_TAGS | _TAGS_WITH_WORDS:
            self._add(f"<{inside[:30]}> is no tag of WebVTT. There are c, i, b, u, ruby, rt, v and lang.")
            return
        if not self._open:
            self._parts += 1
        self._open.append((name, self._line))

    def _close(self, name: str) -> None:
        if name == "ruby" and self._open and self._open[-1][0] == "rt":
            self._open.pop()  # the last </rt> may be left out
        if self._open and self._open[-1][0] == name:
            self._open.pop()
        elif any(opened == name for opened, _ in self._open):
            self._add(f"</{name}> comes before </{self._open[-1][0]}>. Close the inner tag first.")
            while self._open.pop()[0] != name:
                pass
        else:
            self._add(f"</{name[:30]}> closes nothing.")

    def _take_time(self, inside: str) -> None:
        time_ms = read_timestamp(inside)
        if time_ms is None:
            self._add(f"<{inside[:30]}> is no time. Write it as <01:02.500>.")
        elif not self._after_ms < time_ms < self._end_ms:
            self._add(f"<{inside}> does not lie after what came before and before the cue's end.")
        else:
            self._after_ms = time_ms

    def _add(self, sentence: str) -> None:
        self._faults.add(self._line, sentence)
