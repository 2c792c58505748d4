"""Names of files that will not survive other systems. Pure text; nothing here opens a file."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Iterator

# Microsoft, "Naming Files, Paths, and Namespaces": reserved characters, reserved names with or without an
# ending, no dot or space at the end. POSIX.1 reserves the slash alone.
FORBIDDEN = re.compile(r'[<>:"/\\|?*\x00-\x1f]')
RESERVED = re.compile(r"(?:CON|PRN|AUX|NUL|COM[0-9¹²³]|LPT[0-9¹²³])", re.IGNORECASE)
# Common file systems take 255 bytes; a folder, a number and a project's own additions come on top. Common
# practice, no source.
LONGEST_BYTES = 100

Trouble = tuple[str, str]
"""A short word for programs, and a sentence."""


def is_reserved(name: str) -> bool:
    """Whether a system keeps the name for a device, whatever ending follows: `aux.wav` is one."""
    return RESERVED.fullmatch(name.split(".", 1)[0].rstrip(" ")) is not None


def troubles(name: str) -> Iterator[Trouble]:
    """What is wrong with one file's name; nothing for a name that goes everywhere."""
    if found := sorted(set(FORBIDDEN.findall(name))):
        shown = " ".join(
            character if character.isprintable() else "a control character" for character in found
        )
        yield (
            "name_characters",
            f"Its name holds {shown}, which some systems cannot write: the file will not unpack there. "
            "Rename it with letters, numbers, spaces and hyphens.",
        )
    if is_reserved(name):
        yield (
            "name_reserved",
            f"“{name.split('.', 1)[0]}” is kept for a device on some systems, and no file there may be "
            "called so. Add a word to it.",
        )
    if name != name.rstrip(". ") or name.rsplit(".", 1)[0] != name.rsplit(".", 1)[0].rstrip(" "):
        yield (
            "name_end",
            "Its name ends in a space or a dot, which some systems cut off: a project then misses its file. "
            "Take it off.",
        )
    if name != name.lstrip(" "):
        yield (
            "name_start",
            "Its name begins with a space, which sorts it oddly and is easily lost. Take it off.",
        )
    if name.startswith("."):
        yield (
            "name_hidden",
            "Its name begins with a dot, so many systems hide it: who mixes will miss it. Rename it.",
        )
    if len(name.encode(errors="surrogateescape")) > LONGEST_BYTES:
        yield (
            "name_long",
            f"Its name takes more than {LONGEST_BYTES} bytes, and with folders before it some systems cannot "
            "open it. Shorten it.",
        )
    if any(0xDC80 <= ord(character) <= 0xDCFF for character in name):
        yield (
            "name_coding",
            "Its name is not written in UTF-8, so other systems show other letters. Rename it.",
        )
    elif unicodedata.normalize("NFC", name) != name:
        yield (
            "name_accents",
            "Its accents are written as letters and marks apart (Unicode NFD); a system that joins them sees "
            "another name. Type the name anew where you can.",
        )


def alike(name: str) -> str:
    """What two names share that differ in upper and lower case only, or in how an accent is written.

    The trap: lower() is not enough, casefold() after NFC is (Unicode, clause 3.13, caseless matching; clause
    from memory).
    """
    return unicodedata.normalize("NFC", unicodedata.normalize("NFC", name).casefold())


def clashes(names: Iterable[str]) -> list[list[str]]:
    """Names that are one by `alike`. Each group in the order given."""
    groups: dict[str, list[str]] = {}
    for name in names:
        groups.setdefault(alike(name), []).append(name)
    return [group for group in groups.values() if len(group) > 1]
