"""Let winners choose in order of place: one is asked at a time, each with a date by which to choose."""

from __future__ import annotations

from datetime import datetime

from django.db import transaction

from academy.members.models import Member
from contests import decisions, letters
from contests.models import Award, Contest, Entry, Prize, Turn
from contests.prizes import giving, handing
from contests.prizes.claims import can_be_reached, claims_of
from contests.prizes.deadlines import full_hour_after
from contests.prizes.refusals import LOOK_AGAIN, NOT_ANY_MORE, PrizeRefused, locked, require_reason
from contests.states import AwardState, ContestState, TurnState

MOST_DAYS = 90
NOT_PUBLISHED = "Winners choose once the result is published."


def left_to_choose(contest: Contest) -> list[Prize]:
    """The prizes of the pool that are with nobody and not kept back."""
    return [claim.prize for claim in claims_of(contest) if claim.prize.is_choice and claim.is_open]


def next_to_ask(contest: Contest) -> list[Entry]:
    """Who comes next in order of place: one entry, or all who share the place and have not had a turn."""
    waiting = contest.results.filter(entry__turn__isnull=True).select_related("entry__member")
    results = list(waiting.order_by("place", "entry__receipt"))
    return [result.entry for result in results if result.place == results[0].place]


@transaction.atomic
def ask(contest_id: int, receipt: str, *, days: int, actor: Member, now: datetime, reason: str = "") -> Turn:
    """Ask one entry to choose within so many days. Out of order, or among equals, it needs a reason.

    Raises PrizeRefused while another one is asked, with nothing left to choose, for an entry that had its
    turn or has no place, and for an entrant who has left the site.
    """
    contest = locked(contest_id, ContestState.PUBLISHED, otherwise=NOT_PUBLISHED)
    if not 1 <= days <= MOST_DAYS:
        raise PrizeRefused(f"Give 1 to {MOST_DAYS} days for the choice.")
    if contest.turns.filter(state=TurnState.ASKED).exists():
        raise PrizeRefused("Somebody is choosing now. Wait for the choice, or pass the turn on.")
    if not left_to_choose(contest):
        raise PrizeRefused("No prize is left to choose.")
    entry = contest.entries.select_related("member").filter(receipt=receipt, result__isnull=False).first()
    if entry is None or hasattr(entry, "turn"):
        raise PrizeRefused("That entry has no place in the result, or had its turn.")
    if not can_be_reached(entry):
        raise PrizeRefused(
            "That entrant has left the site and cannot be asked. Ask another entry, and say why."
        )
    if next_to_ask(contest) != [entry]:
        reason = require_reason(
            reason, "Others share the place or come before. Say why this entry is asked now; it is recorded."
        )
    turn = _ask(contest, entry, days=days, now=now)
    details = {"entry": entry.receipt, "days": days}
    decisions.record(contest, "asked to choose", actor=actor, now=now, reason=reason, details=details)
    return turn


@transaction.atomic
def choose(turn_id: int, prize_id: int, *, actor: Member, now: datetime, address: str = "") -> Award:
    """The winner takes one of the prizes that are left, which is the confirmation too.

    Then the next one in order of place is asked by itself, with as many days. Where a place is shared, or its
    entrant has left, nobody is: the host decides that. A choice after the date still counts while the host
    has not passed the turn on.
    """
    turn = _open_turn(turn_id)
    prize = next((one for one in left_to_choose(turn.contest) if one.pk == prize_id), None)
    if prize is None:
        raise PrizeRefused("That prize is not left. Choose one of those on the page.")
    _end(turn, TurnState.CHOSEN, actor=actor, now=now)
    award = giving.hold(prize, turn.entry, actor=actor, now=now)
    award.move_to(AwardState.TOLD, actor=None, now=now)
    award = handing.confirm(award.pk, actor=actor, now=now, address=address)
    after = next_to_ask(turn.contest)
    if left_to_choose(turn.contest) and len(after) == 1 and can_be_reached(after[0]):
        _ask(turn.contest, after[0], days=turn.days, now=now)
    return award


@transaction.atomic
def decline_turn(turn_id: int, *, actor: Member | None, now: datetime) -> Turn:
    """The winner wants none of them. Who is asked next is the host's to say."""
    turn = _open_turn(turn_id)
    _end(turn, TurnState.DECLINED, actor=actor, now=now)
    return turn


@transaction.atomic
def pass_turn_on(turn_id: int, *, actor: Member, now: datetime, reason: str) -> Turn:
    """Take the turn back from who does not answer. Before the date it needs just as good a reason."""
    turn = _open_turn(turn_id)
    reason = require_reason(reason, "Say why the turn passes on: the winner may ask, and it is recorded.")
    _end(turn, TurnState.PASSED_ON, actor=actor, now=now)
    decisions.record(
        turn.contest,
        "turn to choose passed on",
        actor=actor,
        now=now,
        reason=reason,
        details={"entry": turn.entry.receipt},
    )
    return turn


def _ask(contest: Contest, entry: Entry, *, days: int, now: datetime) -> Turn:
    turn = Turn.objects.create(
        contest=contest, entry=entry, days=days, asked_at=now, choose_by=full_hour_after(now, days)
    )
    letters.prize_choose(turn, now=now)
    return turn


def _open_turn(turn_id: int) -> Turn:
    contest_id = Turn.objects.values_list("contest", flat=True).get(pk=turn_id)
    locked(contest_id, ContestState.PUBLISHED, otherwise=NOT_PUBLISHED)
    return Turn.objects.select_related("contest", "entry__member").get(pk=turn_id)


def _end(turn: Turn, new_state: TurnState, *, actor: Member | None, now: datetime) -> None:
    try:
        turn.end(new_state, actor=actor, now=now)
    except NOT_ANY_MORE as exc:
        raise PrizeRefused(LOOK_AGAIN) from exc
