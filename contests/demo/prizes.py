"""The prizes of the published contest, each at another stage of its way. Real services; the clock is passed in."""

from __future__ import annotations

from datetime import datetime, timedelta

from academy.members.models import Member
from contests.models import Award, Contest
from contests.prizes import choosing, giving, handing

A_DAY = timedelta(days=1)
INVENTED_ADDRESS = "{name}\nThe Old Net Loft\n3 Ferry Steps\nNether Quillwater"
WHY_IMPROVED = (
    "By the criterion Dynamics: the last chorus of the second upload opens, that of the first did not."
)


def plan(contest: Contest, *, host: Member) -> None:
    """Before publication: those that their places name. Their winners are told when it is published."""
    giving.give_by_place(contest.pk, actor=host, now=contest.judging_until + A_DAY)


def hand_out(contest: Contest, *, improved: Member, host: Member, now: datetime) -> None:
    """The first place has its prize; the second does not answer; a turn to choose is open; a special one is new."""
    told = contest.announced_at
    first = Award.objects.select_related("entry__member").get(prize__contest=contest, prize__place=1)
    winner = first.entry.member
    address = INVENTED_ADDRESS.format(name=winner.name)
    handing.confirm(first.pk, actor=winner, now=told + A_DAY, address=address)
    handing.send(first.pk, actor=host, now=told + 4 * A_DAY)
    handing.receive(first.pk, actor=winner, now=told + 13 * A_DAY)

    turn = choosing.ask(contest.pk, first.entry.receipt, days=14, actor=host, now=now - 12 * A_DAY)
    picks = contest.prizes.get(is_choice=True, title__startswith="A bag")
    # The next in order of place is asked by itself.
    choosing.choose(turn.pk, picks.pk, actor=winner, now=now - 6 * A_DAY, address=address)

    special = contest.prizes.exclude(special="").get()
    entry = contest.results.get(entry__member=improved).entry
    giving.give(special.pk, entry.receipt, actor=host, now=now - 3 * A_DAY, reason=WHY_IMPROVED)
