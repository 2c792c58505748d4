"""What an entrant gets for an upload: a reference, and the receipt in words."""

from __future__ import annotations

import secrets

from academy.templatetags.audio_text import moment
from contests.models import Entry

CLEAR_LETTERS = "23456789ABCDEFGHJKMNPQRSTVWXYZ"
"""Letters and digits that nobody mistakes for one another when reading them out: no 0 O 1 I L U."""
GROUPS, GROUP_LETTERS = 3, 4


def new_reference() -> str:
    """A random reference such as `7KQM-2WXA-D9FT`: 30^12 of them, so that guessing one is hopeless."""
    groups = ("".join(secrets.choice(CLEAR_LETTERS) for _ in range(GROUP_LETTERS)) for _ in range(GROUPS))
    return "-".join(groups)


def receipt_text(entry: Entry) -> str:
    """The receipt as plain text, the same for ever: nothing in it changes with the entry's state."""
    contest, recording = entry.contest, entry.recording
    lines = [
        ("Reference", entry.receipt),
        ("Contest", contest.title),
        ("Entrant", entry.member.name),
        ("File", recording.original_name),
        ("Size", f"{recording.size_bytes} bytes"),
        ("SHA-256", recording.sha256),
        ("Received", moment(entry.received_at, contest.zone)),
        ("Received, UTC", entry.received_at.isoformat(timespec="milliseconds")),
        ("Rules accepted", f"version {entry.rules_version}"),
    ]
    width = max(len(name) for name, _ in lines) + 2
    body = "".join(f"{name + ':':<{width}}{words}\n" for name, words in lines)
    return f"RECEIPT\n\n{body}\nThe time is the server's, at the last byte of the upload.\n"
