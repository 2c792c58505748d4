"""What the pages about prizes read, with its joins."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from academy.templatetags.audio_text import moment
from contests.models import Award, AwardMove, Contest, Entry, Handing, Result, Turn
from contests.prizes import choosing, handing
from contests.prizes.access import told_awards
from contests.prizes.claims import Claim, can_be_reached, claims_of
from contests.states import AwardState, TurnState

LATE_AFTER = timedelta(days=30)
"""After so long on the way the host may ask whether it has arrived. Common practice, no source."""


@dataclass(frozen=True)
class HandOut:
    """One prize on its way, with its steps and what private is kept for it."""

    award: Award
    steps: list[AwardMove]
    address: str | None
    code: str | None

    @property
    def is_shipped(self) -> bool:
        """Whether it comes by post."""
        return self.award.prize.handing == Handing.SHIPPED


@dataclass(frozen=True)
class Desk:
    """All that the host's page of prizes shows."""

    waits: list[str]
    claims: list[Claim]
    clear: int  # prizes that their places name beyond doubt and nobody has yet
    turns: list[Turn]
    asked: Turn | None
    left_to_choose: int
    results: list[Result]
    may_ask: list[Result]  # who had no turn yet, the next one first
    is_next_clear: bool


def desk_of(contest: Contest, now: datetime) -> Desk:
    """The host's page of one contest whose result is decided."""
    claims = claims_of(contest)
    turns = list(contest.turns.select_related("entry__member"))
    results = list(contest.results.select_related("entry__member").order_by("place", "entry__receipt"))
    had = {turn.entry_id for turn in turns}
    may_ask = [result for result in results if result.entry_id not in had and can_be_reached(result.entry)]
    asked = next((turn for turn in turns if turn.state == TurnState.ASKED), None)
    left = sum(claim.prize.is_choice and claim.is_open for claim in claims)
    after = choosing.next_to_ask(contest)
    return Desk(
        waits=_waits(contest, claims, turns, now),
        claims=claims,
        clear=sum(claim.is_open and claim.entry is not None for claim in claims),
        turns=turns,
        asked=asked,
        left_to_choose=left,
        results=results,
        may_ask=may_ask,
        is_next_clear=len(after) == 1 and can_be_reached(after[0]),
    )


def hand_out_of(award: Award, *, shows_code: bool) -> HandOut:
    """One hand-out. The code is read for its winner only."""
    return HandOut(
        award=award,
        steps=list(award.moves.select_related("actor")),
        address=handing.address_of(award),
        code=handing.code_of(award) if shows_code else None,
    )


def hand_outs_of(entry: Entry) -> list[HandOut]:
    """Everything that came or comes to one entry, for its owner."""
    awards = told_awards(entry.member).filter(entry=entry).select_related("prize__sponsor", "prize__contest")
    return [hand_out_of(award, shows_code=True) for award in awards]


def _waits(contest: Contest, claims: list[Claim], turns: list[Turn], now: datetime) -> list[str]:
    """What waits, for the host first, then for winners whose time is over. Empty when all is on its way."""
    zone = contest.zone
    sent_at = dict(
        AwardMove.objects.filter(award__prize__contest=contest, new_state=AwardState.SENT).values_list(
            "award", "moved_at"
        )
    )
    waits = []
    for claim in claims:
        award = claim.award
        if award is None:
            continue
        name = award.entry.member.name
        if award.state == AwardState.TOLD and award.confirm_by and award.confirm_by <= now:
            waits.append(
                f"{name} was to answer about “{claim.prize}” by {moment(award.confirm_by, zone)}. Remind, or "
                "pass it on."
            )
        if award.state == AwardState.CONFIRMED:
            waits.append(f"“{claim.prize}” is confirmed by {name}. Send it.")
        if award.state == AwardState.SENT and sent_at[award.pk] <= now - LATE_AFTER:
            waits.append(
                f"“{claim.prize}” was sent {moment(sent_at[award.pk], zone)}, and nobody has said that it "
                "arrived. Ask the winner."
            )
        if award.state in {AwardState.PLANNED, AwardState.TOLD} and not can_be_reached(award.entry):
            waits.append(f"The winner of “{claim.prize}” has left the site. Pass it on.")
    waits += [
        f"{turn.entry.member.name} was to choose by {moment(turn.choose_by, zone)}. Wait, or pass it on."
        for turn in turns
        if turn.state == TurnState.ASKED and turn.choose_by <= now
    ]
    is_choosing = any(turn.state == TurnState.ASKED for turn in turns)
    if open_ones := sum(claim.is_open and not (claim.prize.is_choice and is_choosing) for claim in claims):
        waits.append(f"{open_ones} prize{' is' if open_ones == 1 else 's are'} with nobody yet.")
    return waits
