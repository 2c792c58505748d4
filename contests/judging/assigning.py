"""Which judge hears which entry, in which order, under which letter and code."""

from __future__ import annotations

import secrets
from collections import Counter
from collections.abc import Sequence
from datetime import datetime

from django.db import transaction
from django.db.models import Q, QuerySet

from academy.members.models import Member
from analysis.intake.models import Recording
from analysis.listening import planning
from contests import decisions
from contests.judging.conflicts import barred_pairs
from contests.judging.panel import at_work
from contests.models import Assignment, Entry, Judge, Round
from contests.scoring.assigning import Assignment as Plan
from contests.scoring.assigning import assign_hearings, assign_to_everybody, with_repeats
from contests.scoring.errors import ScoringError
from contests.states import EntryState, RoundState

CODE_BYTES = 18
"""144 random bits, written as 24 letters: not to be guessed."""


class AssignRefused(Exception):
    """A round that cannot be assigned, and which part of the demand is in the way."""


@transaction.atomic
def assign_round(of: Round, now: datetime, *, actor: Member | None = None) -> tuple[str, ...]:
    """Give every entry of the round to the judges who are to hear it, and record that it was done.

    Each judge gets an own random order, own letters in that order, and a random code for each hearing, by
    which alone the judge's pages know it. Nobody gets an own entry. Done again while the round is still being
    prepared, it draws the same plan from the round's seed with new codes. What somebody is to hear twice gets
    a second listening copy.

    Returns sentences for the host about what is not as good as it could be. Raises AssignRefused, with
    nothing written, for a round that has opened and for a demand that cannot be met.
    """
    round_ = Round.objects.select_for_update(of=("self",)).select_related("contest").get(pk=of.pk)
    if round_.state != RoundState.PREPARING:
        raise AssignRefused(
            f"Round {round_.number} is {round_.get_state_display()}; its hearings stay as they are."
        )
    _refuse_if_left_out(round_)
    entries = {entry.receipt: entry for entry in heard_in_round(round_).select_related("member")}
    anchors = anchors_of(round_)
    seated = at_work(round_.contest).select_related("member").order_by("pk")
    judges = _by_name(seated)
    barred = barred_pairs(round_.contest, entries.values())
    conflicts = [
        (name, receipt)
        for name, judge in judges.items()
        for receipt, entry in entries.items()
        if (judge.pk, entry.pk) in barred
    ]
    try:
        plan = _drawn(round_, list(entries), list(judges), conflicts, anchors)
    except ScoringError as exc:
        raise AssignRefused(str(exc)) from exc
    round_.assignments.all().delete()
    Assignment.objects.bulk_create(
        hearing
        for name, order in plan.order.items()
        for hearing in _hearings(round_, judges[name], [entries[receipt] for receipt in order])
    )
    if round_.plan is not None:
        twice = round_.assignments.filter(repeat__gt=0).values("entry__recording")
        planning.copy_again(round_.plan, Recording.objects.filter(pk__in=twice))
    details = {"round": round_.number, "entries": len(entries), "loads": sorted(plan.loads.values())}
    if anchors:
        details["anchors"] = anchors
    if round_.repeats:
        details["hidden repeats of each judge"] = round_.repeats
    decisions.record(round_.contest, "hearings assigned", actor=actor, now=now, details=details)
    return plan.notes


def entries_of_round(round_: Round) -> QuerySet[Entry]:
    """The ready entries that the round is about: those of its match plan, or all while it has none."""
    ready = round_.contest.entries.filter(state=EntryState.READY)
    if round_.plan is not None:
        ready = ready.filter(recording__in=round_.plan.copies.values("recording"))
    return ready


def anchors_of(round_: Round) -> list[str]:
    """The receipts of what the whole panel hears."""
    return list(anchor_entries(round_).order_by("receipt").values_list("receipt", flat=True))


def anchor_entries(round_: Round) -> QuerySet[Entry]:
    """What the whole panel hears: chosen entries of the round, and a host's own mixes."""
    return round_.anchors.filter(pk__in=heard_in_round(round_).values("pk"))


def heard_in_round(round_: Round) -> QuerySet[Entry]:
    """Everything that is heard in the round: its entries, and anchors from outside the contest."""
    outside = round_.anchors.filter(state=EntryState.OUTSIDE).values("pk")
    return Entry.objects.filter(Q(pk__in=entries_of_round(round_).values("pk")) | Q(pk__in=outside))


def _drawn(
    round_: Round,
    entries: Sequence[str],
    judges: Sequence[str],
    conflicts: Sequence[tuple[str, str]],
    anchors: Sequence[str],
) -> Plan:
    if round_.heard_by_all:
        plan = assign_to_everybody(entries, judges, conflicts=conflicts, seed=round_.seed)
    else:
        plan = assign_hearings(
            entries,
            judges,
            hearings=round_.hearings_per_entry,
            conflicts=conflicts,
            anchors=anchors,
            seed=round_.seed,
        )
    return with_repeats(plan, round_.repeats, seed=round_.seed)


def _refuse_if_left_out(round_: Round) -> None:
    """In a first round every ready entry is heard: one accepted after the match plan must not be lost."""
    if round_.number != 1:
        return
    heard = entries_of_round(round_).values("pk")
    left_out = round_.contest.entries.filter(state=EntryState.READY).exclude(pk__in=heard)
    receipts = list(left_out.values_list("receipt", flat=True))
    if receipts:
        raise AssignRefused(
            f"Ready, but not in this round's match plan: {', '.join(receipts)}. "
            "Prepare the round anew, so that every ready entry is heard."
        )


def letters(number: int) -> str:
    """The label of the hearing at a place counted from 0: A to Z, then AA, AB and so on."""
    text = ""
    number += 1
    while number > 0:
        number, letter = divmod(number - 1, 26)
        text = chr(ord("A") + letter) + text
    return text


def _hearings(round_: Round, judge: Judge, order: Sequence[Entry]) -> list[Assignment]:
    """A judge's hearings; what stands in the order a second time is a hidden repeat."""
    hearings, before = [], Counter[int]()
    for position, entry in enumerate(order):
        hearings.append(new_hearing(round_, judge, entry, position, repeat=before[entry.pk]))
        before[entry.pk] += 1
    return hearings


def new_hearing(round_: Round, judge: Judge, entry: Entry, position: int, *, repeat: int = 0) -> Assignment:
    """One hearing, not saved yet, with its letter and a random code."""
    return Assignment(
        round=round_,
        judge=judge,
        entry=entry,
        repeat=repeat,
        position=position,
        label=letters(position),
        code=secrets.token_urlsafe(CODE_BYTES),
    )


def _by_name(judges: QuerySet[Judge]) -> dict[str, Judge]:
    """Judges by the name that a refusal shows to the host; a number tells apart those who share one."""
    shared = Counter(judge.member.name for judge in judges)
    return {
        judge.member.name if shared[judge.member.name] == 1 else f"{judge.member.name} ({judge.pk})": judge
        for judge in judges
    }
