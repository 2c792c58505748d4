"""A counted vote with its entries, for the host's page and the result's."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from contests.models import Entry, Vote
from contests.states import EntryState


@dataclass(frozen=True)
class VoteLine:
    """One mix of a counted vote: the entry, and its row as contests.scoring gives it."""

    entry: Entry
    row: Mapping[str, Any]


def vote_lines(vote: Vote | None) -> list[VoteLine]:
    """The mixes of a counted vote, best first; empty while it is not counted.

    An entry that was taken out after the counting is left out; the places are not closed up.
    """
    if vote is None or vote.working is None:
        return []
    standing = vote.contest.entries.filter(state=EntryState.READY).select_related("member")
    entries = {str(entry.pk): entry for entry in standing}
    return [
        VoteLine(entries[row["entry"]], row) for row in vote.working["entries"] if row["entry"] in entries
    ]
