"""Hand a prize out: tell the winner, take the answer, send it, and hear that it has arrived."""

from __future__ import annotations

from datetime import datetime

from django.conf import settings
from django.db import transaction

from academy.members.models import Member
from contests import decisions, letters
from contests.models import Award, Contest, Handing, PrivateKind, PrivateLine
from contests.prizes.deadlines import full_hour_after
from contests.prizes.refusals import LOOK_AGAIN, NOT_ANY_MORE, PrizeRefused, locked, require_reason
from contests.states import AwardState, ContestState

NOT_PUBLISHED = "Nobody is told of a prize before the result is published."


def tell(award: Award, *, actor: Member | None, now: datetime) -> None:
    """Tell the winner by a letter, and until when an answer is asked for. Only after publication."""
    _move(award, AwardState.TOLD, actor=actor, now=now)
    award.confirm_by = full_hour_after(now, settings.PRIZE_ANSWER_DAYS)
    award.save(update_fields=["confirm_by"])
    letters.prize_told(award, now=now)


def tell_planned(contest: Contest, *, now: datetime) -> None:
    """Tell every winner of a planned prize; part of publishing the result.

    Of who has left meanwhile the prize stays planned, and the host's page says so.
    """
    assert contest.state == ContestState.PUBLISHED
    planned = Award.objects.filter(
        prize__contest=contest, state=AwardState.PLANNED, entry__member__is_active=True
    )
    for award in planned.select_related("prize__contest", "entry__member"):
        tell(award, actor=None, now=now)


@transaction.atomic
def confirm(award_id: int, *, actor: Member, now: datetime, address: str = "") -> Award:
    """The winner takes the prize. One that comes by post needs a postal address, kept on the way only."""
    award = _locked(award_id)
    needs_address = award.prize.handing == Handing.SHIPPED
    if needs_address and not address.strip():
        raise PrizeRefused("Write where it is to be sent, or it cannot be.")
    _move(award, AwardState.CONFIRMED, actor=actor, now=now)
    if needs_address:
        _keep(award, PrivateKind.ADDRESS, address, now=now)
    return award


@transaction.atomic
def change_address(award_id: int, *, address: str, now: datetime) -> Award:
    """Write the postal address anew until it is sent: after a move, a slip, or once it was erased."""
    award = _locked(award_id)
    if award.state != AwardState.CONFIRMED or award.prize.handing != Handing.SHIPPED:
        raise PrizeRefused("The address can be changed from your confirmation until the prize is sent.")
    if not address.strip():
        raise PrizeRefused("Write where it is to be sent, or it cannot be.")
    _keep(award, PrivateKind.ADDRESS, address, now=now)
    return award


@transaction.atomic
def decline(award_id: int, *, actor: Member | None, now: datetime) -> Award:
    """The winner does not want it, or has left the site. What becomes of it is the host's to decide."""
    award = _locked(award_id)
    _move(award, AwardState.DECLINED, actor=actor, now=now)
    erase(award)
    return award


@transaction.atomic
def send(award_id: int, *, actor: Member, now: datetime, code: str = "") -> Award:
    """The host has sent it, or enters the code or link that it is; the winner alone is shown that.

    Raises PrizeRefused for a digital prize without a code and for one by post without an address.
    """
    award = _locked(award_id)
    is_shipped = award.prize.handing == Handing.SHIPPED
    if is_shipped and address_of(award) is None:
        raise PrizeRefused(
            "There is no postal address: it has not been given, or it was erased after its time. Remind the "
            "winner, who can write it again."
        )
    if not is_shipped and not code.strip():
        raise PrizeRefused("Enter the code or the link; only the winner is shown it.")
    _move(award, AwardState.SENT, actor=actor, now=now)
    if not is_shipped:
        _keep(award, PrivateKind.CODE, code, now=now)
    details = {"prize": str(award.prize), "entry": award.entry.receipt}
    decisions.record(award.prize.contest, "prize sent", actor=actor, now=now, details=details)
    letters.prize_sent(award, now=now)
    return award


@transaction.atomic
def receive(award_id: int, *, actor: Member, now: datetime, reason: str | None = None) -> Award:
    """It has arrived, and everything private is erased. A host who says so for the winner gives a reason."""
    award = _locked(award_id)
    if reason is not None:
        reason = require_reason(reason, "Say how you know that it has arrived; it is recorded.")
    _move(award, AwardState.RECEIVED, actor=actor, now=now)
    erase(award)
    if reason is not None:
        details = {"prize": str(award.prize), "entry": award.entry.receipt}
        decisions.record(
            award.prize.contest, "prize received", actor=actor, now=now, reason=reason, details=details
        )
    return award


@transaction.atomic
def remind(award_id: int, *, actor: Member, now: datetime) -> Award:
    """Tell the winner once more, and give the answer as many days again. Once a day at most."""
    award = _locked(award_id)
    if award.state not in {AwardState.TOLD, AwardState.CONFIRMED}:
        raise PrizeRefused("There is nothing to remind of now.")
    if award.state == AwardState.TOLD:
        award.confirm_by = full_hour_after(now, settings.PRIZE_ANSWER_DAYS)
        award.save(update_fields=["confirm_by"])
    details = {"prize": str(award.prize), "entry": award.entry.receipt}
    decisions.record(award.prize.contest, "winner reminded", actor=actor, now=now, details=details)
    letters.prize_told(award, now=now, again=True)
    return award


def address_of(award: Award) -> str | None:
    """The postal address, for the winner and the host only; None where there is none, or none any more."""
    return _private(award, PrivateKind.ADDRESS)


def code_of(award: Award) -> str | None:
    """The code or link, for the winner alone; None where there is none, or none any more."""
    return _private(award, PrivateKind.CODE)


def erase(award: Award) -> None:
    """Take away what was kept for the way."""
    award.private_lines.all().delete()


def _private(award: Award, kind: PrivateKind) -> str | None:
    return award.private_lines.filter(kind=kind).values_list("text", flat=True).first()


def _keep(award: Award, kind: PrivateKind, text: str, *, now: datetime) -> None:
    PrivateLine.objects.update_or_create(
        award=award, kind=kind, defaults={"text": text.strip(), "written_at": now}
    )


def _locked(award_id: int) -> Award:
    """The award of a published contest whose row is locked, so that host and winner take turns."""
    contest_id = Award.objects.values_list("prize__contest", flat=True).get(pk=award_id)
    locked(contest_id, ContestState.PUBLISHED, otherwise=NOT_PUBLISHED)
    return Award.objects.select_related("prize__contest", "entry__member", "entry__contest").get(pk=award_id)


def _move(award: Award, new_state: AwardState, *, actor: Member | None, now: datetime) -> None:
    try:
        award.move_to(new_state, actor=actor, now=now)
    except NOT_ANY_MORE as exc:
        raise PrizeRefused(LOOK_AGAIN) from exc
