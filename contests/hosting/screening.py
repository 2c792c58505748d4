"""Decide about single entries. The machine finds; the host decides, with a reason, and it is recorded."""

from __future__ import annotations

from datetime import datetime

from django.db import transaction

from academy.members.models import Member
from contests import decisions, letters
from contests.hosting.refusals import HostingRefused
from contests.models import Contest, Entry
from contests.states import ContestState, EntryState, MoveNotAllowed, RoundState, StateChanged


def accept_entry(entry_id: int, *, actor: Member, now: datetime, reason: str) -> Entry:
    """Take an entry that needs attention as it is, or take a disqualification back."""
    return _decide(entry_id, EntryState.READY, "entry accepted", actor=actor, now=now, reason=reason)


def disqualify_entry(entry_id: int, *, actor: Member, now: datetime, reason: str) -> Entry:
    """Take an entry out of the contest. Scores that it has got do not count from then on."""
    return _decide(
        entry_id, EntryState.DISQUALIFIED, "entry disqualified", actor=actor, now=now, reason=reason
    )


@transaction.atomic
def show_names(contest_id: int, *, actor: Member, now: datetime, reason: str) -> None:
    """Record that the host looked who is who while the contest is blind."""
    if not reason.strip():
        raise HostingRefused("Say why you need the names now: the judging is blind, and it is recorded.")
    contest = Contest.objects.get(pk=contest_id)
    decisions.record(contest, "names shown", actor=actor, now=now, reason=reason)


@transaction.atomic
def _decide(
    entry_id: int, new_state: EntryState, action: str, *, actor: Member, now: datetime, reason: str
) -> Entry:
    if not reason.strip():
        raise HostingRefused("Give the reason: the entrant is told, and it is recorded.")
    contest_id = Entry.objects.values_list("contest", flat=True).get(pk=entry_id)
    contest = Contest.objects.select_for_update().get(pk=contest_id)
    entry = Entry.objects.get(pk=entry_id)
    if contest.state in {ContestState.DECIDED, ContestState.PUBLISHED}:
        raise HostingRefused("The result is decided; an entry can no longer be taken in or out.")
    if entry.state == EntryState.CHECKING:
        raise HostingRefused("The entry is being checked; wait for what the meter says.")
    if new_state == EntryState.READY and _is_left_out_of_the_round(contest, entry):
        raise HostingRefused("The first round is over without this entry, so nobody could hear it.")
    try:
        entry.move_to(new_state, actor=actor, note=reason)
    except (MoveNotAllowed, StateChanged) as exc:
        raise HostingRefused(
            f"The entry is {EntryState(entry.state).label}; that cannot be done now."
        ) from exc
    decision = decisions.record(
        contest, action, actor=actor, now=now, reason=reason, details={"entry": entry.receipt}
    )
    letters.entry_decided(entry, decision)
    return entry


def _is_left_out_of_the_round(contest: Contest, entry: Entry) -> bool:
    """Whether the first round was closed without a copy of the entry.

    One in preparation can be prepared anew, and an open one takes late entries in.
    """
    over = contest.rounds.filter(number=1, state=RoundState.CLOSED)
    return over.exists() and not over.filter(plan__copies__recording=entry.recording_id).exists()
