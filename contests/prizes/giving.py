"""Give prizes: those that a place names beyond doubt, and those that the host decides with a reason."""

from __future__ import annotations

from datetime import datetime

from django.db import IntegrityError, transaction

from academy.members.models import Member
from contests import decisions
from contests.models import Award, Contest, Entry, Prize
from contests.prizes import handing
from contests.prizes.claims import Claim, can_be_reached, claims_of
from contests.prizes.refusals import LOOK_AGAIN, NOT_ANY_MORE, PrizeRefused, locked, require_reason
from contests.states import AwardState, ContestState, TurnState

FROM_THE_DECISION = (ContestState.DECIDED, ContestState.PUBLISHED)
NOT_DECIDED = "Prizes are given once the result is decided. Decide it first."


@transaction.atomic
def give(prize_id: int, receipt: str, *, actor: Member, now: datetime, reason: str = "") -> Award:
    """Give one prize to the entry with a receipt. Before publication it is planned and nobody is told.

    Only where the prize's place names this entry beyond doubt no reason is needed. Raises PrizeRefused for a
    prize that somebody holds, an entry without a place in the result, an entrant who has left the site, and
    while a winner is choosing among the prizes of which this is one.
    """
    prize = Prize.objects.select_related("contest").get(pk=prize_id)
    contest = locked(prize.contest_id, *FROM_THE_DECISION, otherwise=NOT_DECIDED)
    claim = _claim_to(contest, prize_id)
    entry = contest.entries.select_related("member").filter(receipt=receipt, result__isnull=False).first()
    if entry is None:
        raise PrizeRefused("That entry has no place in the result. Choose one that has.")
    if claim.award is not None:
        raise PrizeRefused(f"“{prize}” is with {claim.award.entry.member.name} already. Pass it on first.")
    if prize.is_choice and contest.turns.filter(state=TurnState.ASKED).exists():
        raise PrizeRefused(
            "A winner is choosing among these prizes. Wait for the choice, or pass the turn on."
        )
    if not can_be_reached(entry):
        raise PrizeRefused("That entrant has left the site and cannot be told. Choose another entry.")
    if claim.entry != entry:
        reason = require_reason(
            reason, "Say why this entry gets it, or by which criterion. It is kept in the decision log."
        )
    return _give(claim, entry, actor=actor, now=now, reason=reason)


@transaction.atomic
def give_by_place(contest_id: int, *, actor: Member, now: datetime) -> int:
    """Give every prize whose place names one entry beyond doubt; how many these were. The others wait."""
    contest = locked(contest_id, *FROM_THE_DECISION, otherwise=NOT_DECIDED)
    given = 0
    for claim in claims_of(contest):
        if claim.is_open and claim.entry is not None:
            _give(claim, claim.entry, actor=actor, now=now, reason="")
            given += 1
    return given


@transaction.atomic
def keep_back(prize_id: int, *, actor: Member, now: datetime, reason: str) -> None:
    """Give a prize to nobody. Giving it later is still possible. Raises PrizeRefused for one that is held."""
    prize = Prize.objects.get(pk=prize_id)
    contest = locked(prize.contest_id, *FROM_THE_DECISION, otherwise=NOT_DECIDED)
    reason = require_reason(reason, "Say why nobody gets it: it was promised in public, and it is recorded.")
    if _claim_to(contest, prize_id).award is not None:
        raise PrizeRefused(f"“{prize}” is with somebody. Pass it on first.")
    Prize.objects.filter(pk=prize_id).update(is_kept_back=True)
    decisions.record(
        contest, "prize kept back", actor=actor, now=now, reason=reason, details={"prize": str(prize)}
    )


@transaction.atomic
def pass_on(award_id: int, *, actor: Member, now: datetime, reason: str) -> Award:
    """Take a prize back from a winner who does not answer or cannot have it; nobody gets it by itself.

    Whatever private was kept for it is erased. Raises PrizeRefused once it is sent.
    """
    award = Award.objects.select_related("prize", "entry__member").get(pk=award_id)
    contest = locked(award.prize.contest_id, *FROM_THE_DECISION, otherwise=NOT_DECIDED)
    reason = require_reason(reason, "Say why it passes on: the winner may ask, and it is recorded.")
    try:
        award.move_to(AwardState.PASSED_ON, actor=actor, now=now)
    except NOT_ANY_MORE as exc:
        raise PrizeRefused(LOOK_AGAIN) from exc
    handing.erase(award)
    details = {"prize": str(award.prize), "entry": award.entry.receipt}
    decisions.record(contest, "prize passed on", actor=actor, now=now, reason=reason, details=details)
    return award


def _claim_to(contest: Contest, prize_id: int) -> Claim:
    return next(claim for claim in claims_of(contest) if claim.prize.pk == prize_id)


def _give(claim: Claim, entry: Entry, *, actor: Member, now: datetime, reason: str) -> Award:
    prize, contest = claim.prize, claim.prize.contest
    Prize.objects.filter(pk=prize.pk, is_kept_back=True).update(is_kept_back=False)
    award = hold(prize, entry, actor=actor, now=now)
    is_public = contest.state == ContestState.PUBLISHED
    decisions.record(
        contest,
        "prize given" if is_public else "prize planned",
        actor=actor,
        now=now,
        reason=reason,
        details={"prize": str(prize), "goes by": prize.is_for, "entry": entry.receipt},
    )
    if is_public:
        handing.tell(award, actor=actor, now=now)
    return award


def hold(prize: Prize, entry: Entry, *, actor: Member, now: datetime) -> Award:
    """Write the row and its first step. The database lets a prize have one holder."""
    try:
        with transaction.atomic():
            award = Award.objects.create(prize=prize, entry=entry, given_at=now)
    except IntegrityError as exc:
        raise PrizeRefused(LOOK_AGAIN) from exc
    award.moves.create(new_state=AwardState.PLANNED, actor=actor, moved_at=now)
    return award
