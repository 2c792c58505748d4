"""Whom a judge must not judge: the own entry, and everybody named in a conflict of interest."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime

from django.db import IntegrityError, transaction

from academy.members.models import Member
from contests import decisions
from contests.models import Assignment, Conflict, Contest, Entry, Judge
from contests.states import ContestState, HearingState, RoundState


class ConflictRefused(Exception):
    """A conflict that is not taken down, and why."""


@transaction.atomic
def declare_conflict(judge: Judge, email: str, *, by: Member, now: datetime) -> Conflict:
    """Take down that the judge must not hear the mixes of whoever has this address.

    Nobody learns whether that person has entered. Hearings of a round in preparation are to be assigned
    again; in a round that is open the judge is taken off that mix before a sheet is submitted. A sheet that
    is in stays, and the log says how many there are: what becomes of them is the host's decision.

    Raises ConflictRefused once the result is decided and for a conflict that is known.
    """
    contest = Contest.objects.select_for_update().get(pk=judge.contest_id)
    if contest.state in {ContestState.DECIDED, ContestState.PUBLISHED}:
        raise ConflictRefused("The result is decided; write to the host about it.")
    # Before the hearings, as everywhere: what this judge's booth tells waits, or is waited for.
    Judge.objects.select_for_update(no_key=True).get(pk=judge.pk)
    try:
        with transaction.atomic():  # so that the outer one survives the constraint
            conflict = Conflict.objects.create(
                judge=judge, email=email.strip().lower(), declared_by=by, declared_at=now
            )
    except IntegrityError as exc:
        raise ConflictRefused("This is taken down already.") from exc
    theirs = Assignment.objects.filter(judge=judge, entry__member__email=conflict.email)
    if theirs.filter(round__state=RoundState.PREPARING).exists():
        Assignment.objects.filter(round__contest=contest, round__state=RoundState.PREPARING).delete()
    theirs.filter(round__state=RoundState.JUDGING, state=HearingState.WAITING).update(
        state=HearingState.STOOD_ASIDE
    )
    # The address stays out of the log: it is personal, and the log goes into exports.
    details = {"judge": judge.pk, "sheets already in": theirs.filter(state=HearingState.SUBMITTED).count()}
    decisions.record(contest, "conflict declared", actor=by, now=now, details=details)
    return conflict


def barred_pairs(contest: Contest, entries: Iterable[Entry]) -> set[tuple[int, int]]:
    """Every judge and entry, by primary keys, that must never meet. `entries` come with their members."""
    named = set(Conflict.objects.filter(judge__contest=contest).values_list("judge", "email"))
    judges = list(contest.judges.values_list("pk", "member"))
    return {
        (judge, entry.pk)
        for entry in entries
        for judge, member in judges
        if member == entry.member_id or (judge, entry.member.email) in named
    }
