"""Who sits on a contest's panel."""

from __future__ import annotations

from datetime import datetime

from django.db import IntegrityError, transaction
from django.db.models import Count, QuerySet

from academy.members.models import Member
from contests import decisions, queries
from contests.models import Assignment, Contest, Judge, Round
from contests.states import HEARD, ContestState, HearingState, RoundState

DROPPED_OUT = "judge dropped out"

SEATED_UNTIL = (ContestState.DRAFT, ContestState.OPEN, ContestState.CLOSED, ContestState.JUDGING)
DROPPED_OUT = "judge dropped out"


class PanelRefused(Exception):
    """A seat that is not given or not taken away, and why, in the host's words."""


@transaction.atomic
def seat_judge(contest: Contest, member: Member, *, actor: Member, now: datetime) -> Judge:
    """Give the member a seat on the panel and record who gave it.

    Raises PanelRefused for somebody with an own entry in the contest, for a second seat, and once the judging
    is over. Who enters after having been seated keeps the seat and is never given the own entry.
    """
    contest = Contest.objects.select_for_update().get(pk=contest.pk)
    if contest.state not in SEATED_UNTIL:
        raise PanelRefused(f"The judging of {contest} is over; its panel does not change any more.")
    if queries.live_entries(contest, member):
        raise PanelRefused(
            f"{member} has an entry in this contest and cannot judge it. "
            "Ask somebody else, or let the entry be withdrawn first."
        )
    try:
        with transaction.atomic():  # so that the outer one survives the constraint
            judge = Judge.objects.create(contest=contest, member=member)
    except IntegrityError as exc:
        raise PanelRefused(f"{member} sits on this panel already.") from exc
    decisions.record(
        contest, "judge seated", actor=actor, now=now, details={"judge": judge.pk, "member": member.pk}
    )
    return judge


@transaction.atomic
def remove_judge(judge: Judge, *, actor: Member, now: datetime, reason: str) -> None:
    """Take a seat away and record who did, and why. Raises PanelRefused once a round has opened with it.

    Assignments of rounds that are being prepared go wholly: they have to be made anew for the others.
    """
    # Locked first: a round that opened meanwhile would lose this judge's hearings with the seat.
    contest = Contest.objects.select_for_update().get(pk=judge.contest_id)
    opened = judge.assignments.exclude(round__state=RoundState.PREPARING).values_list(
        "round__number", flat=True
    )
    if opened:
        raise PanelRefused(
            f"{judge.member} has hearings in round {min(opened)}, which has opened; taking the seat away "
            "would take the sheets with it. Leave the seat: what is not submitted is not counted."
        )
    _take_back_preparation(contest)
    details = {"judge": judge.pk, "member": judge.member_id}
    decisions.record(judge.contest, "judge removed", actor=actor, now=now, reason=reason, details=details)
    judge.delete()


@transaction.atomic
def leave_panel(judge: Judge, *, now: datetime) -> None:
    """A judge leaves the site: nobody counts on them for a hearing any more, and it is recorded.

    Sheets that were submitted stay and count. What is missing of a closed round falls away, so that another
    judge may have it should that round open again; a round that is being prepared has to be given out anew
    where it counted on the judge. Nothing happens once the result is decided. What waits in an open round is
    the caller's to ask about, after this has locked the contest.
    """
    contest = Contest.objects.select_for_update().get(pk=judge.contest_id)
    if contest.state not in SEATED_UNTIL:
        return
    Judge.objects.filter(pk=judge.pk).update(has_left=True)
    judge.assignments.filter(round__state=RoundState.CLOSED, state=HearingState.WAITING).update(
        state=HearingState.STOOD_ASIDE
    )
    if judge.assignments.filter(round__state=RoundState.PREPARING).exists():
        _take_back_preparation(contest)
    reason = "The judge left the site."
    details = {"judge": judge.pk}
    decisions.record(contest, DROPPED_OUT, actor=None, now=now, reason=reason, details=details)


def seats_at_work() -> QuerySet[Judge]:
    """The seats of all who may be given something to hear: who has not dropped out, and can sign in."""
    return Judge.objects.filter(has_left=False, member__is_active=True)


def at_work(contest: Contest) -> QuerySet[Judge]:
    """Those of one contest."""
    return seats_at_work().filter(contest=contest)


def _take_back_preparation(contest: Contest) -> None:
    Assignment.objects.filter(round__contest=contest, round__state=RoundState.PREPARING).delete()


def judges_with_missing_sheets(round_: Round) -> QuerySet[Judge]:
    """Judges of the round who have sheets to submit, with how many, as `missing`. Who left is not asked.

    A sheet about a host's own anchor is missing like any other: the round does not close without a reason.
    """
    return (
        at_work(round_.contest)
        .filter(
            assignments__round=round_,
            assignments__state=HearingState.WAITING,
            assignments__entry__state__in=HEARD,
        )
        .annotate(missing=Count("assignments"))
        .select_related("member")
        .order_by("pk")
    )
