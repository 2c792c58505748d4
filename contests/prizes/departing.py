"""What becomes of prizes when a winner leaves the site."""

from __future__ import annotations

from datetime import datetime

from django.db.models import QuerySet

from academy.members.models import Member
from contests.models import Award, PrivateLine, Turn
from contests.states import AwardState, TurnState

UNSENT = (AwardState.PLANNED, AwardState.TOLD, AwardState.CONFIRMED)


def lost_by(member: Member) -> list[str]:
    """What leaving costs, a sentence each. A prize that is only planned is not told of here either."""
    told = _unsent(member).exclude(state=AwardState.PLANNED)
    lost = [f"The prize “{award.prize}”: it was not sent yet, and cannot reach you then." for award in told]
    lost += [f"Your turn to choose a prize in “{turn.contest}”." for turn in _asked(member)]
    if PrivateLine.objects.filter(award__entry__member=member).exists():
        lost.append("The postal addresses and codes that are kept for your prizes. Note codes down first.")
    return lost


def let_go(member: Member, *, now: datetime) -> None:
    """Erase what is private and end what waits for an answer. Who gets it instead is the host's to decide."""
    PrivateLine.objects.filter(award__entry__member=member).delete()
    for award in _unsent(member):
        # Of a planned prize the winner does not know; the host's page says that its winner has left.
        if award.state != AwardState.PLANNED:
            award.move_to(AwardState.DECLINED, actor=None, now=now)
    for turn in _asked(member):
        turn.end(TurnState.DECLINED, actor=None, now=now)


def _unsent(member: Member) -> QuerySet[Award]:
    return Award.objects.filter(entry__member=member, state__in=UNSENT).select_related("prize")


def _asked(member: Member) -> QuerySet[Turn]:
    return Turn.objects.filter(entry__member=member, state=TurnState.ASKED).select_related("contest")
