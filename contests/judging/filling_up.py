"""Hearings that fell away in an open round, and the judges who take them over."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.db import transaction
from django.db.models import Exists, OuterRef, QuerySet

from academy.members.models import Member
from analysis.listening import planning
from analysis.listening.models import CopyState, MatchPlan
from analysis.listening.planning import CannotPlan
from contests import decisions, letters
from contests.judging.assigning import AssignRefused, anchor_entries, entries_of_round, new_hearing
from contests.judging.assigning import letters as label_at
from contests.judging.conflicts import barred_pairs
from contests.judging.panel import DROPPED_OUT, PanelRefused, at_work
from contests.models import Assignment, Contest, Entry, Judge, Round, ScoreSheet
from contests.scoring.assigning import top_up
from contests.scoring.errors import ScoringError
from contests.scoring.further import Stand, moments, places
from contests.states import HEARD, ContestState, EntryState, HearingState, RoundState


def fallen_away(round_: Round) -> dict[Entry, int]:
    """How many hearings each entry of an open round lacks, because judges stood aside or dropped out.

    Nothing in a round that the whole panel hears: there is nobody else. A hidden repeat is no second judge.
    """
    if round_.heard_by_all:
        return {}
    counting = round_.assignments.exclude(state=HearingState.STOOD_ASIDE).order_by()
    heard = Counter(entry for entry, _ in counting.values_list("entry", "judge").distinct())
    lacking = {
        entry: round_.hearings_per_entry - heard[entry.pk]
        for entry in _given_out(round_).select_related("member").order_by("receipt")
    }
    return {entry: number for entry, number in lacking.items() if number > 0}


@transaction.atomic
def fill_up(of: Round, *, actor: Member, now: datetime) -> int:
    """Give every hearing that fell away to another judge, among what that judge has not begun; how many.

    What is begun or submitted keeps its place and its letter. Raises AssignRefused, with nothing written, for
    a round that is not open and when an entry has nobody left to go to.
    """
    round_ = _locked(of)
    if round_.state != RoundState.JUDGING:
        raise AssignRefused("Hearings are filled up while the round is open to the judges.")
    lacking = fallen_away(round_)
    wanted = [entry.receipt for entry, number in lacking.items() for _ in range(number)]
    if not wanted:
        return 0
    given = _give_out(round_, {entry.receipt: entry for entry in lacking}, wanted)
    details = {"round": round_.number, "hearings": len(wanted)} | given.details
    decision = decisions.record(round_.contest, "hearings filled up", actor=actor, now=now, details=details)
    letters.further_hearings(round_, given.numbers, decision=decision, now=now)
    return len(wanted)


@dataclass(frozen=True)
class _GivenOut:
    """How many hearings each judge got who got any, and what the log says of anchors among them."""

    numbers: dict[Judge, int]
    details: dict[str, Any]


def _give_out(round_: Round, entries: Mapping[str, Entry], wanted: Sequence[str]) -> _GivenOut:
    """One more hearing for each receipt in `wanted`, each to a judge at work with spare load.

    Each comes at a place drawn among what its judge has not begun, where it cannot be told from the others.
    Who was seated after the round had been given out hears the round's anchors as well: where entries are
    heard once, nothing else links such a judge to the panel.
    """
    judges = {judge.pk: judge for judge in _at_work(round_)}
    anchors = {one.receipt: one for one in anchor_entries(round_).select_related("member")}
    entries = {**anchors, **entries}
    receipts = {entry.pk: entry.receipt for entry in entries.values()}
    orders = _orders(round_, judges)
    barred = {
        (str(judge), receipts[entry]) for judge, entry in barred_pairs(round_.contest, entries.values())
    }
    seed = f"{round_.seed} {round_.assignments.count()}"
    try:
        filled = top_up(orders, wanted, conflicts=barred, seed=seed)
    except ScoringError as exc:
        raise AssignRefused(f"{exc} Seat another judge, or let the entry have one hearing less.") from exc
    panels: dict[str, list[str]] = {}
    linked: dict[str, list[str]] = {}
    for name, order in filled.items():
        further = order[len(orders[name]) :]
        links = [one for one in sorted(anchors) if one not in order and (name, one) not in barred]
        if further and links:
            linked[name] = links
        for receipt in [*further, *linked.get(name, [])]:
            panels.setdefault(receipt, []).append(name)
    drawn = {int(name): own for name, own in moments(panels, seed=seed).items()}
    standing = _hearings_of(round_, drawn)
    for judge, own in sorted(drawn.items()):
        _take_in(round_, judges[judge], standing.get(judge, []), {entries[one]: own[one] for one in own})
    return _GivenOut(
        numbers={judges[judge]: len(own) for judge, own in drawn.items()},
        details={"anchors": linked} if linked else {},
    )


def _take_in(round_: Round, judge: Judge, own: Sequence[Assignment], further: Mapping[Entry, float]) -> None:
    """Move a judge's hearings apart and put the new ones between them; the judge's row is locked.

    A hearing keeps its code wherever it goes, for what a page that is open sends belongs to what was heard.
    """
    stands = [Stand(str(one.entry_id), _is_begun(one), _stays(one)) for one in own]
    kept, new = places(stands, {str(entry.pk): moment for entry, moment in further.items()})
    taken = [one.position for one in own]
    behind = max(taken, default=-1) + 1
    positions = [*taken, *range(behind, behind + len(further))]
    # From the end: each letter that a hearing takes is free by then.
    for at in reversed(range(len(own))):
        if kept[at] != at:
            position = positions[kept[at]]
            Assignment.objects.filter(pk=own[at].pk).update(position=position, label=label_at(position))
    Assignment.objects.bulk_create(
        new_hearing(round_, judge, entry, positions[new[str(entry.pk)]]) for entry in further
    )


def _is_begun(hearing: Assignment) -> bool:
    """Whether the judge knows the mix by its letter: it was heard, or something is written about it."""
    was_heard = hearing.heard_s > 0 or hearing.plays > 0
    return hearing.state == HearingState.SUBMITTED or was_heard or bool(hearing.has_sheet)


def _stays(hearing: Assignment) -> bool:
    """What the judge left, and what the host took out: if it moved, it would tell where something came in."""
    return hearing.state != HearingState.WAITING or hearing.entry.state not in HEARD


def late_entries(round_: Round) -> list[Entry]:
    """Ready entries that came in after the first round had opened, and that nobody is to hear yet."""
    if round_.number != 1 or round_.state != RoundState.JUDGING:
        return []
    ready = round_.contest.entries.filter(state=EntryState.READY).select_related("recording", "member")
    return list(ready.exclude(assignments__round=round_).order_by("receipt"))


@transaction.atomic
def take_in_late(of: Round, *, actor: Member, now: datetime) -> int:
    """Have the late entries of an open first round heard, by judges with spare load, among what they have
    not begun.

    They get copies at the level that all others have, and never a panel of their own: who hears only late
    entries would be linked to nobody. Nobody is given one before its copy is ready, for among mixes that can
    be heard the one that cannot would be known for the new one. So while copies are in the making, asked for
    now or earlier, nothing is given out. Returns how many entries were taken in. Raises AssignRefused, with
    nothing written, when there is none, when one cannot be brought to the level, and when judges are lacking.
    """
    round_ = _locked(of)
    late = {entry.receipt: entry for entry in late_entries(round_)}
    if not late:
        raise AssignRefused("No entry came in late.")
    assert round_.plan is not None
    if not _all_copied(round_.plan, late):
        return 0
    given = _give_out(round_, late, _wanted(round_, late))
    details = {"round": round_.number, "entries": sorted(late)} | given.details
    decision = decisions.record(
        round_.contest, "late entries taken in", actor=actor, now=now, details=details
    )
    letters.further_hearings(round_, given.numbers, decision=decision, now=now)
    return len(late)


def _wanted(round_: Round, late: Mapping[str, Entry]) -> list[str]:
    """Each late entry's receipt as many times as it is to be heard.

    Where the whole panel hears everything that is by all but those with a conflict; one time at least, so
    that an entry which nobody may hear is refused and not passed over.
    """
    if not round_.heard_by_all:
        return [receipt for receipt in late for _ in range(round_.hearings_per_entry)]
    barred = barred_pairs(round_.contest, late.values())
    at_work = _at_work(round_)
    times = {
        receipt: sum((judge.pk, entry.pk) not in barred for judge in at_work)
        for receipt, entry in late.items()
    }
    return [receipt for receipt in late for _ in range(max(1, times[receipt]))]


def _all_copied(plan: MatchPlan, late: Mapping[str, Entry]) -> bool:
    """Whether each late entry's copy is ready; those that nobody asked for yet are asked for."""
    copies = {copy.recording_id: copy for copy in plan.copies.filter(number=0)}
    is_ready = True
    for receipt, entry in late.items():
        copy = copies.get(entry.recording_id)
        try:
            copy = copy or planning.add_to_plan(plan, entry.recording)
        except CannotPlan as exc:
            raise AssignRefused(f"{receipt}: {exc}") from exc
        if copy.state == CopyState.REFUSED:
            raise AssignRefused(f"{receipt}: {copy.trouble} Decide about this entry first.")
        is_ready &= copy.state == CopyState.READY
    return is_ready


@transaction.atomic
def hear_again(of: Round, receipts: Collection[str], *, actor: Member, now: datetime, reason: str) -> int:
    """Have some entries of a round heard by one more judge each; a closed round opens again for it.

    The hearings go to judges with spare load who have not heard the entry, among what they have not begun.
    Submitted sheets stay sealed; a sheet that was missing at the close can still be submitted. Returns how
    many. Raises AssignRefused, with nothing written, without a reason, once the result is decided, for a
    round that is not open or closed last, for an entry that is not in it, and when nobody is left to hear
    one.
    """
    round_ = _locked(of)
    if not reason.strip():
        raise AssignRefused("Say why these entries are heard again; it is recorded.")
    if round_.contest.state != ContestState.JUDGING:
        raise AssignRefused("The result is decided; no further hearing can change what it stands on.")
    later = round_.contest.rounds.filter(number__gt=round_.number).exclude(state=RoundState.PLANNED)
    if round_.state not in {RoundState.JUDGING, RoundState.CLOSED} or later.exists():
        raise AssignRefused("Further hearings are ordered while no later round has been prepared.")
    entries = {
        entry.receipt: entry
        for entry in _given_out(round_).filter(receipt__in=receipts).select_related("member")
    }
    if unknown := sorted(set(receipts) - entries.keys()):
        raise AssignRefused(f"Not in this round: {', '.join(unknown)}.")
    if not entries:
        raise AssignRefused("Choose at least one entry.")
    given = _give_out(round_, entries, sorted(entries))
    if round_.state == RoundState.CLOSED:
        round_.move_to(RoundState.JUDGING)
    details = {"round": round_.number, "entries": sorted(entries)} | given.details
    decision = decisions.record(
        round_.contest, "further hearings ordered", actor=actor, now=now, reason=reason, details=details
    )
    letters.further_hearings(round_, given.numbers, decision=decision, now=now)
    return len(entries)


@transaction.atomic
def drop_out(judge: Judge, *, actor: Member, now: datetime, reason: str) -> int:
    """A judge leaves in the middle of a round: what is not submitted goes to others; how many hearings move.

    Submitted sheets stay and count. Raises PanelRefused without a reason, without an open round, for who has
    left before, and when somebody else cannot take the hearings over; then nothing has changed.
    """
    if not reason.strip():
        raise PanelRefused("Give the reason; it is recorded.")
    # The judge's row before the round's and the hearings': who tells what was heard takes it first as well.
    Contest.objects.select_for_update().get(pk=judge.contest_id)
    judges = Judge.objects.select_for_update(of=("self",), no_key=True).select_related("contest")
    judge = judges.get(pk=judge.pk)
    if judge.has_left:
        raise PanelRefused("This judge has left the panel already; nothing more has to move.")
    round_ = judge.contest.rounds.select_for_update(no_key=True).filter(state=RoundState.JUDGING).first()
    if round_ is None:
        raise PanelRefused("No round is open, so no hearing has to move. Take the seat away instead.")
    waiting = round_.assignments.filter(judge=judge, state=HearingState.WAITING)
    moved = waiting.update(state=HearingState.STOOD_ASIDE)
    judge.has_left = True
    judge.save(update_fields=["has_left"])
    details = {"judge": judge.pk, "round": round_.number, "hearings": moved}
    decisions.record(judge.contest, DROPPED_OUT, actor=actor, now=now, reason=reason, details=details)
    try:
        fill_up(round_, actor=actor, now=now)
    except AssignRefused as exc:
        raise PanelRefused(str(exc)) from exc
    return moved


def _given_out(round_: Round) -> QuerySet[Entry]:
    """The entries of the round that somebody hears or heard; a late one whose copy is made is not yet."""
    return entries_of_round(round_).filter(pk__in=round_.assignments.values("entry"))


def _locked(of: Round) -> Round:
    """The round with its contest and plan, all of whose lists may be changed now."""
    # The contest first, as everywhere: two who lock in different orders would wait for each other. None of
    # their keys changes, and whoever writes a row that points to them need not wait.
    Contest.objects.select_for_update(no_key=True).get(pk=of.contest_id)
    rounds = Round.objects.select_for_update(of=("self",), no_key=True).select_related("contest", "plan")
    return rounds.get(pk=of.pk)


def _at_work(round_: Round) -> list[Judge]:
    """The judges who hear now, locked: what a booth tells meanwhile waits, and finds the hearings moved."""
    seated = at_work(round_.contest).select_for_update(of=("self",), no_key=True)
    return list(seated.select_related("member").order_by("pk"))


def _orders(round_: Round, judges: dict[int, Judge]) -> dict[str, list[str]]:
    """What each judge has or had, those left aside included: nobody gets an entry twice."""
    orders: dict[str, list[str]] = {str(judge): [] for judge in judges}
    given = round_.assignments.filter(judge__in=judges).order_by("position")
    for judge, receipt in given.values_list("judge", "entry__receipt"):
        orders[str(judge)].append(receipt)
    return orders


def _hearings_of(round_: Round, judges: Collection[int]) -> dict[int, list[Assignment]]:
    """What each of the judges has or had, by position."""
    written = ScoreSheet.objects.filter(assignment=OuterRef("pk"))
    given = round_.assignments.filter(judge__in=judges).annotate(has_sheet=Exists(written))
    found: dict[int, list[Assignment]] = {}
    for hearing in given.select_related("entry").order_by("position"):
        found.setdefault(hearing.judge_id, []).append(hearing)
    return found
