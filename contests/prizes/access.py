"""Who may open which page about prizes. Winners see their own, and nothing before the result is published."""

from __future__ import annotations

from django.db.models import Q, QuerySet
from django.http import Http404
from django.shortcuts import get_object_or_404

from academy.members.access import Person
from academy.members.models import Member
from contests.models import Award, Contest, Entry, Prize, Turn
from contests.states import AwardState, ContestState


def told_awards(member: Member) -> QuerySet[Award]:
    """The hand-outs that the member was told of; none before the result is published.

    What a host planned and gave to somebody else before publishing was never this member's to know.
    """
    awards = Award.objects.filter(entry__member=member, entry__contest__state=ContestState.PUBLISHED)
    return awards.filter(moves__new_state=AwardState.TOLD).distinct()


def entries_with_prizes(member: Member) -> QuerySet[Entry]:
    """The member's entries that have, had or may choose a prize, in contests whose result is published."""
    concerned = Q(awards__in=told_awards(member)) | Q(turn__isnull=False)
    mine = Entry.objects.filter(concerned, member=member, contest__state=ContestState.PUBLISHED)
    return mine.select_related("contest", "member").order_by("-contest__announced_at", "pk").distinct()


def own_prizes(person: Person, receipt: str) -> Entry:
    """The person's own entry that prizes go to. Raises Http404 for anybody else's, and for one without."""
    if not isinstance(person, Member):
        raise Http404
    return get_object_or_404(entries_with_prizes(person), receipt=receipt)


def own_award(entry: Entry, award_id: int) -> Award:
    """One of the prizes of an entry whose owner has been asked for already. Raises Http404 for another's."""
    return get_object_or_404(told_awards(entry.member), entry=entry, pk=award_id)


def own_turn(entry: Entry) -> Turn:
    """The entry's turn to choose. Raises Http404 where it never had one."""
    return get_object_or_404(Turn, entry=entry)


def prize_on_desk(contest: Contest, prize_id: int) -> Prize:
    """One prize of a contest whose host has been asked for already. Raises Http404 for an unknown one."""
    return get_object_or_404(contest.prizes, pk=prize_id)


def award_on_desk(contest: Contest, award_id: int) -> Award:
    """One hand-out of a contest whose host has been asked for already. Raises Http404 for an unknown one."""
    return get_object_or_404(
        Award.objects.select_related("prize__contest", "prize__sponsor", "entry__member"),
        prize__contest=contest,
        pk=award_id,
    )


def turn_on_desk(contest: Contest, turn_id: int) -> Turn:
    """One turn of a contest whose host has been asked for already. Raises Http404 for an unknown one."""
    return get_object_or_404(contest.turns, pk=turn_id)
