"""The prizes of the published contest, each at another stage. Real services; the clock is passed in."""

from __future__ import annotations

from datetime import datetime, timedelta

from academy.members.models import Member
from contests.models import Award, Contest
from contests.prizes import choosing, giving, handing

A_DAY = timedelta(days=1)
WHY_IMPROVED = "By the criterion Dynamics: the last chorus opens now, as it did not in earlier contests."


def plan(contest: Contest, *, host: Member) -> None:
    """Before publication: those that their places name. Their winners are told when it is published."""
    giving.give_by_place(contest.pk, actor=host, now=contest.judging_until + A_DAY)


def hand_out(contest: Contest, *, improved: Member, host: Member, now: datetime) -> None:
    """The first place has its prize and chooses another; the second does not answer; one waits to be sent."""
    told = contest.announced_at
    first = Award.objects.select_related("entry__member").get(prize__contest=contest, prize__place=1)
    winner = first.entry.member
    handing.confirm(first.pk, actor=winner, now=told + A_DAY, address=_address(winner))
    handing.send(first.pk, actor=host, now=told + 4 * A_DAY)
    handing.receive(first.pk, actor=winner, now=told + 13 * A_DAY)

    special = contest.prizes.exclude(special="").get()
    entry = contest.results.get(entry__member=improved).entry
    given = giving.give(special.pk, entry.receipt, actor=host, now=now - 6 * A_DAY, reason=WHY_IMPROVED)
    handing.confirm(given.pk, actor=improved, now=now - 4 * A_DAY, address=_address(improved))

    choosing.ask(contest.pk, first.entry.receipt, days=14, actor=host, now=now - 3 * A_DAY)


def _address(member: Member) -> str:
    """Where an invented person lives."""
    return f"{member.name}\nThe Old Net Loft\n3 Ferry Steps\nNether Quillwater"
