"""File names that every usual system can write, made from what people called things. Pure."""

from __future__ import annotations

import unicodedata

from academy.packs.models import SoundForm
from analysis.measuring.file_names import FORBIDDEN, is_reserved

# The backslash and line ends would also make sha256sum write its sums in another form.
LONGEST_BYTES = 120  # half of the 255 that common file systems allow, so that folder and number fit too


def safe_name(wanted: str, *, otherwise: str) -> str:
    """The name without what a file system, an archive or a shell would trip over.

    No path, control or invisible formatting characters, no dots or spaces at its ends, no name that a system
    keeps for a device, at most 120 bytes of UTF-8. `otherwise` when nothing is left.
    """
    text = FORBIDDEN.sub(" ", unicodedata.normalize("NFC", wanted))
    text = "".join(" " if unicodedata.category(char)[0] in "CZ" else char for char in text)
    text = " ".join(text.split()).strip(". ")
    if is_reserved(text):
        text = f"The {text}"
    while len(text.encode()) > LONGEST_BYTES:
        text = text[:-1].rstrip(". ")
    return text or otherwise


def stem_filename(position: int, name: str, form: SoundForm) -> str:
    """`03 Snare top.wav`. The number keeps the pack's order and makes two like names differ."""
    return f"{position:02d} {safe_name(name, otherwise='stem')}.{form.value}"
