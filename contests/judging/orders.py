"""A judge's own order of what was heard in a round, best first: a check beside the scores."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime

from django.db import IntegrityError, transaction

from academy.members.models import Member
from contests.judging import access
from contests.judging.drafts import SheetRefused
from contests.models import Assignment, Judge, JudgeOrder, Round
from contests.states import HearingState, RoundState


def to_be_ordered(member: Member, round_: Round) -> list[Assignment]:
    """The member's hearings of a round that an order is asked for, by position; none where none is asked.

    A hidden repeat stands among them like any other mix, so that nothing tells it apart.
    """
    if not round_.asks_order:
        return []
    own = access.own_hearings(member).filter(round=round_).exclude(state=HearingState.STOOD_ASIDE)
    return list(own.order_by("position"))


def order_of(member: Member, round_: Round) -> JudgeOrder | None:
    """The order that the member has submitted."""
    return round_.orders.filter(judge__member=member).first()


@transaction.atomic
def submit_order(round_: Round, member: Member, places: Mapping[str, str], *, now: datetime) -> JudgeOrder:
    """Seal the member's order. `places` holds what was typed for each hearing's code: 1 for the best.

    Raises SheetRefused while a sheet is missing, for a round that is not open or asks for no order, for a
    second order, and unless every place from 1 on is given once.
    """
    round_ = Round.objects.select_for_update(of=("self",)).select_related("contest").get(pk=round_.pk)
    hearings = to_be_ordered(member, round_)
    if round_.state != RoundState.JUDGING or not hearings:
        raise SheetRefused("No order is asked for in this round now.")
    if any(hearing.state == HearingState.WAITING for hearing in hearings):
        raise SheetRefused("Submit every sheet first; then put the mixes in order.")
    typed = {hearing.pk: places.get(hearing.code, "").strip() for hearing in hearings}
    wanted = [str(place) for place in range(1, len(hearings) + 1)]
    if sorted(typed.values()) != sorted(wanted):
        raise SheetRefused(f"Give each place from 1 to {len(hearings)} once. {_what_is_wrong(typed, wanted)}")
    judge = Judge.objects.get(contest=round_.contest_id, member=member)
    try:
        with transaction.atomic():  # so that the outer one survives the constraint
            return JudgeOrder.objects.create(
                round=round_,
                judge=judge,
                hearings=sorted(typed, key=lambda hearing: int(typed[hearing])),
                submitted_at=now,
            )
    except IntegrityError as exc:
        raise SheetRefused("Your order is submitted and sealed; it does not change any more.") from exc


def _what_is_wrong(typed: Mapping[int, str], wanted: list[str]) -> str:
    given = list(typed.values())
    missing = [place for place in wanted if place not in given]
    twice = sorted({place for place in given if place and given.count(place) > 1})
    parts = []
    if twice:
        parts.append(f"given more than once: {', '.join(twice)}")
    if missing:
        parts.append(f"missing: {', '.join(missing)}")
    return "; ".join(parts).capitalize() + "."
