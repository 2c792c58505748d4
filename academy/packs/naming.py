"""File names that every usual system can write, made from what people called things. Pure."""

from __future__ import annotations

import re
import unicodedata

from analysis.intake.models import Recording

# Microsoft, "Naming Files, Paths, and Namespaces": reserved characters; POSIX.1 reserves the slash alone.
# The backslash and line ends would also make sha256sum write its sums in another form.
FORBIDDEN = re.compile(r'[<>:"/\\|?*]')
LONGEST_BYTES = 120  # half of the 255 that common file systems allow, so that folder and number fit too

EXTENSIONS = {"WAV": "wav", "RF64": "wav", "FLAC": "flac"}
CONTENT_TYPES = {"WAV": "audio/wav", "RF64": "audio/wav", "FLAC": "audio/flac"}


def safe_name(wanted: str, *, otherwise: str) -> str:
    """The name without what a file system, an archive or a shell would trip over.

    No path, control or invisible formatting characters, no dots or spaces at its ends, at most 120 bytes of
    UTF-8. `otherwise` when nothing is left.
    """
    text = FORBIDDEN.sub(" ", unicodedata.normalize("NFC", wanted))
    text = "".join(" " if unicodedata.category(char)[0] in "CZ" else char for char in text)
    text = " ".join(text.split()).strip(". ")
    while len(text.encode()) > LONGEST_BYTES:
        text = text[:-1].rstrip(". ")
    return text or otherwise


def stem_filename(position: int, name: str, recording: Recording) -> str:
    """`03 Snare top.wav`. The number keeps the pack's order and makes two like names differ."""
    return f"{position:02d} {safe_name(name, otherwise='stem')}.{EXTENSIONS[recording.format]}"


def content_type_of(recording: Recording) -> str:
    """The media type of a recording's bytes: RFC 9639 for FLAC, common practice for WAV (no registration)."""
    return CONTENT_TYPES[recording.format]
