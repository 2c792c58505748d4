"""The structure of a file: header, blocks, cues (clause 4.1)."""

from __future__ import annotations

import codecs
import re
from dataclasses import dataclass, field

from academy.courses.webvtt import cuetext
from academy.courses.webvtt.faults import CaptionsRefused, Faults
from academy.courses.webvtt.settings import check_cue_settings, check_region
from academy.courses.webvtt.times import read_timestamp, why_not

ARROW = "-->"
_TIMINGS = re.compile(r"([^ \t]*)([ \t]*)-->([ \t]*)([^ \t]*)(.*)")
_DECLARED = re.compile(r"(STYLE|REGION)[ \t]*")
_NOTE = re.compile(r"NOTE(?:[ \t].*)?")


@dataclass(frozen=True)
class Cue:
    """One caption. `text` is its payload as written, `words` the same for reading."""

    start_ms: int
    end_ms: int
    text: str
    settings: str = ""
    identifier: str = ""

    @property
    def words(self) -> str:
        """Without tags; a voice's name is left out."""
        return cuetext.plain(self.text)


@dataclass(frozen=True)
class CaptionFile:
    """A file that keeps the grammar. `declared` are its STYLE and REGION blocks as written."""

    cues: list[Cue]
    declared: list[str]


@dataclass
class _State:
    """What the blocks so far have established."""

    faults: Faults = field(default_factory=Faults)
    cues: list[Cue] = field(default_factory=list)
    declared: list[str] = field(default_factory=list)
    regions: set[str] = field(default_factory=set)
    identifiers: set[str] = field(default_factory=set)


def read(raw: bytes) -> CaptionFile:
    """Read a whole file.

    Raises
    ------
    CaptionsRefused
        It breaks the grammar, is not UTF-8, or holds no cue: one sentence a fault, each naming its line.

    Notes
    -----
    Cues may overlap, but they come in the order of their starts, and each ends after it starts. The
    attributes block of later drafts is not part of the Candidate Recommendation and is refused.
    """
    lines = _lines(raw)
    state = _State()
    _check_header(lines, state.faults)
    for first_line, block in _blocks(lines):
        _take_block(block, first_line, state)
    if not state.cues:
        state.faults.add(len(lines) or 1, "there is no cue in this file, so nothing would be shown.")
    state.faults.refuse_any()
    return CaptionFile(state.cues, state.declared)


def _lines(raw: bytes) -> list[str]:
    if raw.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        raise CaptionsRefused(
            ["Line 1: this is UTF-16, and WebVTT asks for UTF-8. Save it as UTF-8 and send it again."]
        )
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        raise CaptionsRefused(
            [f"Line {line}: this is not UTF-8, which WebVTT asks for. Save it as UTF-8 and send it again."]
        ) from error
    if "\0" in text:
        line = text[: text.index("\0")].count("\n") + 1
        raise CaptionsRefused(
            [f"Line {line}: there is a NUL character. This is no text, or one in UTF-16: save it as UTF-8."]
        )
    return re.split(r"\r\n|\n|\r", text)


def _check_header(lines: list[str], faults: Faults) -> None:
    if not re.fullmatch(r"WEBVTT(?:[ \t].*)?", lines[0]):
        faults.add(1, "the file has to begin with the word WEBVTT, alone or followed by a space.")
    elif ARROW in lines[0]:
        faults.add(1, "there is an arrow in the header. Leave an empty line after WEBVTT.")
    elif len(lines) > 1 and lines[1]:
        faults.add(2, "an empty line has to follow the first one.")


def _blocks(lines: list[str]) -> list[tuple[int, list[str]]]:
    """Runs of lines that are not empty, after the header, each with the number of its first line."""
    blocks: list[tuple[int, list[str]]] = []
    is_inside = False
    for number, line in enumerate(lines[1:], start=2):
        if line and is_inside:
            blocks[-1][1].append(line)
        elif line:
            blocks.append((number, [line]))
        is_inside = bool(line)
    return blocks


def _take_block(block: list[str], first_line: int, state: _State) -> None:
    with_arrow = [index for index, line in enumerate(block) if ARROW in line]
    declared = _DECLARED.fullmatch(block[0])
    if with_arrow and with_arrow[0] <= 1 and not declared:
        _take_cue(block, first_line, with_arrow[0], state)
    elif with_arrow:
        state.faults.add(
            first_line + with_arrow[0], "an arrow stands where none may. Leave an empty line before each cue."
        )
    elif declared:
        _take_declared(declared[1], block, first_line, state)
    elif not _NOTE.fullmatch(block[0]):
        state.faults.add(
            first_line, "this is neither a cue, whose times have an arrow, nor a NOTE, a STYLE or a REGION."
        )


def _take_declared(kind: str, block: list[str], first_line: int, state: _State) -> None:
    if state.cues:
        state.faults.add(first_line, f"a {kind} has to come before the first cue.")
    if kind == "REGION":
        check_region(block[1:], first_line + 1, state.regions, state.faults)
    state.declared.append("\n".join(block))


def _take_cue(block: list[str], first_line: int, arrow_at: int, state: _State) -> None:
    identifier = block[0] if arrow_at else ""
    if identifier and identifier in state.identifiers:
        state.faults.add(first_line, f"there is a cue “{identifier[:40]}” already. Names of cues are unique.")
    state.identifiers.add(identifier)
    line = first_line + arrow_at
    text = block[arrow_at + 1 :]
    for number, words in enumerate(text, start=line + 1):
        if ARROW in words:
            state.faults.add(number, "an arrow in the text. Leave an empty line before the next cue.")
    times = _times(block[arrow_at], line, state)
    if times is None:
        return
    start_ms, end_ms, settings = times
    check_cue_settings(settings, line, state.regions, state.faults)
    cuetext.check_text(text, line + 1, start_ms, end_ms, state.faults)
    state.cues.append(Cue(start_ms, end_ms, "\n".join(text), settings, identifier))


def _times(text: str, line: int, state: _State) -> tuple[int, int, str] | None:
    """Start, end and settings; None, with the fault noted, where they cannot be read."""
    match = _TIMINGS.fullmatch(text)
    if match is None or not match[1]:
        state.faults.add(line, "a time has to stand before the arrow, at the very start of the line.")
        return None
    start, before, after, end, settings = match.groups()
    if not before or not after:
        state.faults.add(line, "the arrow needs a space on either side: 00:01.000 --> 00:04.000.")
    times = [read_timestamp(start), read_timestamp(end)]
    for written, time_ms in zip((start, end), times, strict=True):
        if time_ms is None:
            state.faults.add(line, why_not(written) if written else "the time after the arrow is missing.")
    start_ms, end_ms = times
    if start_ms is None or end_ms is None:
        return None
    if end_ms <= start_ms:
        state.faults.add(line, f"the cue ends at {end}, which is not after its start at {start}.")
    if state.cues and start_ms < state.cues[-1].start_ms:
        state.faults.add(line, "this cue starts before the one above it. Put the cues in order.")
    return start_ms, end_ms, settings.strip(" \t")
