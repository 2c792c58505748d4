"""To whom a letter of the contests goes, and what every one of them says."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from datetime import UTC, datetime
from itertools import islice
from typing import TypeVar

from django.urls import reverse

from academy.letters.addresses import absolute
from academy.letters.kinds import Kind
from academy.letters.models import Letter
from academy.letters.writing import write
from academy.members.models import Member
from contests.models import Contest, Entry

PAGES = "contests/letters"
AT_ONCE = 20
"""Letters that are written in one transaction: on SQLite nobody else writes meanwhile. No source."""

SAMPLE = {
    "name": "Tamsin Wetherby",
    "contest": "Low Tide",
    "receipt": "7KQM-2WXA-D9FT",
    "link": "https://school.example/contests/entries/7KQM-2WXA-D9FT/",
}
SAMPLE_UNTIL = {"until": datetime(2031, 4, 20, 17, 0, tzinfo=UTC), "zone": "UTC"}
"""In the samples of letters that name an hour until which something can be done."""

Thing = TypeVar("Thing")


def in_portions(things: Iterable[Thing]) -> Iterator[list[Thing]]:
    """So many at a time as are to be written in one transaction; nothing for nothing."""
    left = iter(things)
    while portion := list(islice(left, AT_ONCE)):
        yield portion


def to_entrant(
    kind: Kind, entry: Entry, words: Mapping[str, object], *, now: datetime, key: str = ""
) -> None:
    """To the entrant, with the name, the contest, the receipt and the entry's page beside the words."""
    contest: Contest = entry.contest
    context = {
        "name": entry.member.name,
        "contest": contest.title,
        "receipt": entry.receipt,
        "link": absolute(reverse("contests:entry", args=[entry.receipt])),
    }
    to_member(kind, entry.member, context | dict(words), now=now, key=f"{entry.pk} {key}".strip())


def to_member(
    kind: Kind,
    member: Member,
    context: Mapping[str, object],
    *,
    now: datetime,
    key: str,
    useful_until: datetime | None = None,
) -> Letter | None:
    """To a member at the address of the account; None where that one is not written. One key, one letter."""
    return write(
        kind,
        key=key,
        address=member.email,
        context=context,
        now=now,
        person=member,
        useful_until=useful_until,
    )
