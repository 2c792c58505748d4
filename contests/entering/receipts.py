"""What an entrant gets for an upload: a reference, and the receipt in words, signed."""

from __future__ import annotations

import re
import secrets
from dataclasses import dataclass

from academy.templatetags.audio_text import moment
from contests import signing
from contests.models import Entry

CLEAR_LETTERS = "23456789ABCDEFGHJKMNPQRSTVWXYZ"
"""Letters and digits that nobody mistakes for one another when reading them out: no 0 O 1 I L U."""
GROUPS, GROUP_LETTERS = 3, 4
SIGNED_BELOW = "\nSigned by the site. Change nothing above this line, not even a blank.\n"


def new_reference() -> str:
    """A random reference such as `7KQM-2WXA-D9FT`: 30^12 of them, so that guessing one is hopeless."""
    groups = ("".join(secrets.choice(CLEAR_LETTERS) for _ in range(GROUP_LETTERS)) for _ in range(GROUPS))
    return "-".join(groups)


def receipt_text(entry: Entry) -> str:
    """The receipt as plain text, the same for ever: nothing in it changes with the entry's state."""
    contest, recording = entry.contest, entry.recording
    begun = [("Upload begun", moment(entry.begun_at, contest.zone))] if entry.begun_at else []
    lines = [
        ("Reference", entry.receipt),
        ("Contest", contest.title),
        ("Entrant", entry.member.name),
        ("File", recording.original_name),
        ("Size", f"{recording.size_bytes} bytes"),
        ("SHA-256", recording.sha256),
        *begun,
        ("Received", moment(entry.received_at, contest.zone)),
        ("Received, UTC", entry.received_at.isoformat(timespec="milliseconds")),
        ("Rules accepted", f"version {entry.rules_version}"),
    ]
    width = max(len(name) for name, _ in lines) + 2
    body = "".join(f"{name + ':':<{width}}{words}\n" for name, words in lines)
    return f"RECEIPT\n\n{body}\nThe time is the server's, at the last byte of the upload.\n"


def signed_receipt(entry: Entry) -> str:
    """The receipt with this site's signature under it, to keep and to show in a dispute."""
    said = receipt_text(entry)
    key, signature = signing.public_key(), signing.sign(said.encode())
    return f"{said}{SIGNED_BELOW}Key: {key}\nSignature: {signature}\n"


@dataclass(frozen=True)
class ReceiptCheck:
    """Whether a receipt is as this site wrote it, and if not, why; `reference` is empty if unread."""

    is_genuine: bool
    words: str
    reference: str


def check_receipt(text: str) -> ReceiptCheck:
    """Check the text of a signed receipt. Line ends of other systems are taken for ours, nothing else is."""
    text = text.removeprefix("\ufeff").replace("\r\n", "\n")
    said, below, signed = text.partition(SIGNED_BELOW)
    found = re.fullmatch(r"Key: (\S+)\nSignature: (\S+)\s*", signed)
    if not below or found is None:
        return ReceiptCheck(False, "This is no signed receipt, or a part of it is missing.", "")
    key, signature = found.groups()
    named = re.search(r"^Reference: +(\S+)$", said, flags=re.MULTILINE)
    reference = named[1] if named else ""
    if key != signing.public_key():
        words = f"It is signed with the key {signing.short_form(key)}, which is not this site’s."
        return ReceiptCheck(False, words, reference)
    if not signing.is_signed(said.encode(), signature=signature, key=key):
        return ReceiptCheck(False, "The signature does not fit: the text was changed.", reference)
    return ReceiptCheck(True, "Every word of it is as this site wrote it.", reference)
