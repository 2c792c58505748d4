"""Apply an event once, and in the order in which things happened rather than in which they arrive."""

from __future__ import annotations

from datetime import datetime

from django.db import IntegrityError, transaction

from academy.members import granting, joining
from academy.members.models import Grant, GrantSource, Member, PaymentEvent, PaymentOutcome, Tier
from academy.members.payments.events import Event, EventRefused, order_of

REPLAYED = "replayed"
PAID_NO_MORE = "It is paid for no longer."  # what the member reads where the event gives no reason


def apply(event: Event, *, now: datetime) -> str:
    """Do what the event says, and record its id in the same transaction. Returns a word for what was done.

    `granted`, `revoked`, `nothing` (there was nothing to revoke), `late` (newer events of the same payer and
    tier leave nothing of it), `replayed` (this id came before; nothing was done).

    What is held from now on depends on the events alone, in whatever order they arrive: what a grant gives
    ends at the earliest moment from which a newer event decides, be it a revoke or another grant.

    Raises EventRefused with the code `unknown_tier`; the event may come again once there is such a tier.
    """
    try:
        with transaction.atomic():
            return _apply(event, now)
    except IntegrityError:
        # The same id, or the same new address, at the same moment under two tiers: one of them is in by now.
        with transaction.atomic():
            return _apply(event, now)


def _apply(event: Event, now: datetime) -> str:
    # The tier's row makes the events take turns.
    tier = Tier.objects.select_for_update().filter(slug=event.tier).first()
    if tier is None:
        known = ", ".join(Tier.objects.values_list("slug", flat=True)) or "none yet"
        raise EventRefused("unknown_tier", f"There is no tier “{event.tier}”. The tiers: {known}.")
    if PaymentEvent.objects.filter(event_id=event.id).exists():
        return REPLAYED
    member = _member_of(event)
    of_payer = list(PaymentEvent.objects.filter(payer=event.payer, tier=tier).select_related("grant"))
    newer = [other for other in of_payer if _order(other) > event.order]
    older = [other for other in of_payer if _order(other) < event.order]
    grant: Grant | None = None
    if event.is_grant:
        for other in _still_given(older, event):
            granting.cut(other, at=event.decides_from, reason="A newer payment takes its place.", now=now)
        starts_at, ends_at = _what_is_left(event, newer)
        if ends_at is None or ends_at > max(starts_at, now):
            member = member or _new_member(event, now)
            grant = _give(event, member, tier, starts_at, ends_at, now)
        outcome = PaymentOutcome.GRANTED if grant else PaymentOutcome.LATE
    else:
        given = _still_given(older, event)
        for other in given:
            granting.end(other, at=event.decides_from, reason=event.reason or PAID_NO_MORE, now=now)
        outcome = (
            PaymentOutcome.REVOKED if given else PaymentOutcome.LATE if newer else PaymentOutcome.NOTHING
        )
    PaymentEvent.objects.create(
        event_id=event.id,
        payer=event.payer,
        member=member,
        tier=tier,
        is_grant=event.is_grant,
        occurred_at=event.occurred_at,
        decides_from=event.decides_from,
        received_at=now,
        outcome=outcome,
        grant=grant,
    )
    return outcome.value


def _order(event: PaymentEvent) -> tuple[datetime, bool, str]:
    return order_of(event.occurred_at, event.is_grant, event.event_id)


def _still_given(older: list[PaymentEvent], event: Event) -> list[Grant]:
    """What older events have given that lasts beyond the moment from which this one decides."""
    given = [other.grant for other in older if other.grant is not None]
    return [grant for grant in given if granting.lasts_beyond(grant, event.decides_from)]


def _what_is_left(event: Event, newer: list[PaymentEvent]) -> tuple[datetime, datetime | None]:
    """From when until when a grant holds, given what newer events say."""
    ends = [other.decides_from for other in newer]
    if event.ends_at is not None:
        ends.append(event.ends_at)
    return event.decides_from, min(ends, default=None)


def _member_of(event: Event) -> Member | None:
    """Whom the payer's earlier events were about, whatever the address is now; else who has the address."""
    known = PaymentEvent.objects.filter(payer=event.payer, member__isnull=False).select_related("member")
    last = known.order_by("-received_at", "-pk").first()
    return last.member if last is not None else Member.objects.filter(email=event.email).first()


def _new_member(event: Event, now: datetime) -> Member:
    member = Member.objects.create_user(event.email, event.name or event.email.partition("@")[0])
    joining.invite(member, now=now)
    return member


def _give(
    event: Event, member: Member, tier: Tier, starts_at: datetime, ends_at: datetime | None, now: datetime
) -> Grant:
    return granting.give(
        member,
        tier,
        starts_at=starts_at,
        ends_at=ends_at,
        source=GrantSource.PAYMENT,
        reason=event.reason or event.id,
        now=now,
    )
