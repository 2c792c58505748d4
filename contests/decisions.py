"""The decision log: append-only, each line chained to the one before by its hash."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping
from datetime import UTC, datetime
from typing import Any

from django.db import transaction

from academy.members.models import Member
from contests.models import Contest, Decision

FIRST_HASH = "0" * 64
CHANGED = "contest changed"
"""The action of lines about changes to a public contest; its page shows them to everybody."""
ENTRY_WITHDRAWN = "entry withdrawn"
REPAIR_DELIVERED = "repair delivered"
DECISION_ANSWERED = "decision answered"
BY_ENTRANTS = frozenset({ENTRY_WITHDRAWN, REPAIR_DELIVERED, DECISION_ANSWERED})
"""What entrants did. Such a line has no actor and names a receipt: hosts read it while the contest is
blind.
"""
PUBLISHED = "result published"
"""The action of the line that ends the embargo."""

JUDGING_OPENED = "judging opened"
"""The action of the line that tells when a round was opened to its judges."""

Line = Mapping[str, Any]
"""One line of the log as plain JSON; see `as_line`."""


@transaction.atomic
def record(
    contest: Contest,
    action: str,
    *,
    actor: Member | None,
    now: datetime,
    reason: str = "",
    details: dict[str, Any] | None = None,
) -> Decision:
    """Append one line. `actor` is None for the timetable; `details` is plain JSON.

    Call it in the transaction of the thing decided, so that neither stands without the other.
    """
    # Locking the contest makes writers take turns; the unique number catches who did not wait.
    Contest.objects.select_for_update().get(pk=contest.pk)
    last = contest.decisions.order_by("-number").first()
    decision = Decision(
        contest=contest,
        number=last.number + 1 if last else 1,
        decided_at=now,
        actor=actor,
        action=action,
        reason=reason,
        details=details or {},
        previous_hash=last.hash if last else FIRST_HASH,
    )
    decision.hash = hash_of(as_line(decision))
    decision.save(force_insert=True)
    return decision


def as_line(decision: Decision) -> Line:
    """A line as plain JSON: what its hash covers, and the hash. Actors are numbers; a hash keeps no names."""
    return {
        "previous": decision.previous_hash,
        "contest": decision.contest_id,
        "number": decision.number,
        "decided_at": decision.decided_at.astimezone(UTC).isoformat(timespec="microseconds"),
        "actor": decision.actor_id,
        "action": decision.action,
        "reason": decision.reason,
        "details": decision.details,
        "hash": decision.hash,
    }


def hash_of(line: Line) -> str:
    """SHA-256 over the hash of the line before and everything that this one says, in canonical JSON."""
    words = {name: said for name, said in line.items() if name != "hash"}
    text = json.dumps(words, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    return hashlib.sha256(text.encode()).hexdigest()


def first_broken(lines: Iterable[Line]) -> int | None:
    """Number of the first line that does not follow from the one before; None when the chain holds."""
    previous = FIRST_HASH
    for number, line in enumerate(lines, start=1):
        follows = line["previous"] == previous and line["number"] == number
        if not follows or line["hash"] != hash_of(line):
            return number
        previous = str(line["hash"])
    return None


def first_broken_line(contest: Contest) -> int | None:
    """The same for the log that is kept of a contest."""
    return first_broken(as_line(decision) for decision in contest.decisions.order_by("number"))
