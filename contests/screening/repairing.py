"""A repair that the host asked for: one upload within a window, even after the close.

Nothing happens by itself: an entry whose repair does not come stands as it is, and the host decides.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime

from django.db.models import OuterRef, Q, QuerySet, Subquery
from django.utils import timezone

from academy.members.models import Member
from analysis.jobs import requesting
from analysis.jobs.claiming import Claim
from contests import decisions
from contests.models import Contest, Entry, Ruling
from contests.models.contest import FORM_GRACE
from contests.states import STANDING_ENTRY, EntryState, RulingKind

LAPSE_REPAIR = "lapse_repair"
"""The kind of job; its subject is a ruling's primary key."""

HOSTS_TURN = (
    Q(answered_at__isnull=False) | Q(lapsed_at__isnull=False) | Q(repair__state=EntryState.SET_ASIDE.value)
)
"""Last rulings that ask the host for the next word, while their entry stands."""


def last_rulings(contests: Iterable[Contest | int]) -> QuerySet[Ruling]:
    """Of each entry of some contests, which may be given by their primary keys, the ruling that counts."""
    later = Ruling.objects.filter(entry=OuterRef("entry")).order_by("-pk").values("pk")[:1]
    return Ruling.objects.filter(entry__contest__in=list(contests), pk=Subquery(later))


def asked_of(contest: Contest, member: Member) -> Ruling | None:
    """The repair that the member was asked for, sent or not; None where the last word was another one.

    Whether it is still in time asks `Ruling.takes_a_repair`.
    """
    own = last_rulings([contest]).filter(entry__member=member, entry__state__in=STANDING_ENTRY)
    return own.filter(kind=RulingKind.REPAIR).select_related("entry__contest").first()


def awaited(contest: Contest, now: datetime) -> QuerySet[Ruling]:
    """Repairs that may still come in."""
    return last_rulings([contest]).filter(
        kind=RulingKind.REPAIR,
        entry__state__in=STANDING_ENTRY,
        repair__isnull=True,
        repair_until__gt=now - FORM_GRACE,  # the form of a file that was in time may follow
    )


def request_lapse(ruling: Ruling) -> None:
    """Have it written down when nothing has come."""
    assert ruling.repair_until is not None
    requesting.request(LAPSE_REPAIR, ruling.pk, not_before=ruling.repair_until + FORM_GRACE)


def deliver(asked: Ruling, repair: Entry, *, now: datetime) -> None:
    """Note that the repaired file has come. The contest's row is locked by the caller."""
    asked.repair = repair
    asked.save(update_fields=["repair"])
    decisions.record(
        repair.contest,
        decisions.REPAIR_DELIVERED,
        actor=None,
        now=now,
        details={"entry": asked.entry.receipt, "repaired": repair.receipt},
    )


def lapse(claim: Claim) -> None:
    """The job: a window has passed. Quiet where a file has come, or the host has decided anew."""
    ruling = Ruling.objects.select_related("entry__contest").filter(pk=claim.subject).first()
    if ruling is None:
        return
    contest, now = ruling.entry.contest, timezone.now()
    with claim.finishing():
        Contest.objects.select_for_update().get(pk=contest.pk)
        has_lapsed = last_rulings([contest]).filter(pk=ruling.pk, repair__isnull=True, lapsed_at__isnull=True)
        if has_lapsed.update(lapsed_at=now):
            decisions.record(
                contest, "repair lapsed", actor=None, now=now, details={"entry": ruling.entry.receipt}
            )
