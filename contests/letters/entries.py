"""Letters about one entry, to its entrant."""

from __future__ import annotations

from datetime import UTC, datetime

from academy.letters.kinds import Kind, announce
from contests.entering.receipts import signed_receipt
from contests.letters.addressing import PAGES, SAMPLE, to_entrant
from contests.models import Entry, Ruling
from contests.states import ANSWERABLE, EntryState

ENTRY_RECEIVED = announce(
    Kind(
        name="entry-received",
        title="Your upload has arrived",
        subject="Your upload into {contest}: receipt {receipt}",
        templates=f"{PAGES}/entry_received",
        why="you uploaded a mix into a contest",
        is_essential=True,
        hides_address=True,
        sample=SAMPLE | {"text": "RECEIPT\n\nReference: 7KQM-2WXA-D9FT\n"},
    )
)
ENTRY_CHECKED = announce(
    Kind(
        name="entry-checked",
        title="What the meter found in your upload",
        subject="Your upload {receipt} is {state}",
        templates=f"{PAGES}/entry_checked",
        why="a mix of yours was checked for a contest",
        is_essential=False,
        hides_address=True,
        sample=SAMPLE
        | {
            "state": "needs attention",
            "findings": ["Your file is 44.1 kHz; this contest asks for 48 kHz. Export again at 48 kHz."],
        },
    )
)
ENTRY_DECIDED = announce(
    Kind(
        name="entry-decided",
        title="The host decided about your entry",
        subject="A decision about your entry {receipt}",
        templates=f"{PAGES}/entry_decided",
        why="the host of a contest decided about your entry",
        is_essential=True,
        hides_address=True,
        sample=SAMPLE
        | {
            "kind": "repair",
            "reason": "It holds a track that is not among the stems.",
            "found": ["Sound that follows none of the stems. Listen at 1:02 to 1:10."],
            "until": datetime(2031, 3, 20, 17, 0, tzinfo=UTC),
            "zone": "UTC",
            "may_answer": True,
        },
    )
)


def entry_received(entry: Entry) -> None:
    """The signed receipt, to the entrant."""
    to_entrant(ENTRY_RECEIVED, entry, {"text": signed_receipt(entry)}, now=entry.received_at)


def entry_checked(entry: Entry, *, now: datetime) -> None:
    """What became of an upload, with every finding."""
    words = {
        "state": EntryState(entry.state).label,
        "findings": [finding["message"] for finding in entry.findings],
    }
    to_entrant(ENTRY_CHECKED, entry, words, now=now)


def entry_decided(ruling: Ruling) -> None:
    """The host's decision about one entry, with its reason and what was noticed."""
    words = {
        "kind": ruling.kind,
        "reason": ruling.reason,
        "found": ruling.found,
        "until": ruling.repair_until,
        "zone": ruling.entry.contest.zone,
        "may_answer": ruling.kind in ANSWERABLE,
    }
    to_entrant(ENTRY_DECIDED, ruling.entry, words, now=ruling.decided_at, key=str(ruling.line_id))
