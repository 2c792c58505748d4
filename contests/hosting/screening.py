"""Decide about single entries. The machine finds; the host decides, with a reason, and it is recorded."""

from __future__ import annotations

from datetime import datetime

from django.db import transaction

from academy.members.models import Member
from contests import decisions
from contests.hosting.refusals import HostingRefused
from contests.models import Contest, Entry
from contests.states import ContestState, EntryState, MoveNotAllowed, StateChanged


def accept_entry(entry_id: int, *, actor: Member, now: datetime, reason: str) -> Entry:
    """Take an entry that needs attention as it is, or take a disqualification back."""
    return _decide(entry_id, EntryState.READY, "entry accepted", actor=actor, now=now, reason=reason)


def disqualify_entry(entry_id: int, *, actor: Member, now: datetime, reason: str) -> Entry:
    """Take an entry out of the contest."""
    return _decide(
        entry_id, EntryState.DISQUALIFIED, "entry disqualified", actor=actor, now=now, reason=reason
    )


@transaction.atomic
def _decide(
    entry_id: int, new_state: EntryState, action: str, *, actor: Member, now: datetime, reason: str
) -> Entry:
    if not reason.strip():
        raise HostingRefused("Give the reason: the entrant is told, and it is recorded.")
    entry = Entry.objects.get(pk=entry_id)
    contest = Contest.objects.select_for_update().get(pk=entry.contest_id)
    if contest.state in {ContestState.DECIDED, ContestState.PUBLISHED}:
        raise HostingRefused("The result is decided; an entry can no longer be taken in or out here.")
    if contest.rounds.exists() and new_state == EntryState.READY:
        raise HostingRefused("The round is prepared without this entry.")
    try:
        entry.move_to(new_state, actor=actor, note=reason)
    except (MoveNotAllowed, StateChanged) as exc:
        raise HostingRefused(
            f"The entry is {EntryState(entry.state).label}; that cannot be done now."
        ) from exc
    decisions.record(contest, action, actor=actor, now=now, reason=reason, details={"entry": entry.receipt})
    return entry
