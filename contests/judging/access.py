"""What a judge may open: the own hearings of a round that has opened. Everything else looks the same: 404."""

from __future__ import annotations

from django.db.models import QuerySet
from django.http import Http404
from django.shortcuts import get_object_or_404

from academy.members.access import Person
from academy.members.models import Member
from contests.models import Assignment, Judge, Round
from contests.states import HEARD, ContestState, HearingState, RoundState

OPENED = (RoundState.JUDGING, RoundState.CLOSED)


def own_hearings(member: Member) -> QuerySet[Assignment]:
    """The member's hearings in rounds that have opened, without entries that the host took out."""
    return Assignment.objects.filter(judge__member=member, round__state__in=OPENED, entry__state__in=HEARD)


def own_round(person: Person, slug: str, number: int) -> Round:
    """A round in which the person has hearings. Raises Http404 for any other."""
    if not isinstance(person, Member):
        raise Http404
    return get_object_or_404(
        Round.objects.select_related("contest", "plan"),
        contest__slug=slug,
        number=number,
        pk__in=own_hearings(person).values("round"),
    )


def own_hearing(person: Person, code: str) -> Assignment:
    """The person's own hearing under a code. Raises Http404 for anybody else's."""
    if not isinstance(person, Member):
        raise Http404
    return get_object_or_404(
        own_hearings(person).select_related("round__contest", "round__plan", "entry", "sheet"), code=code
    )


def own_seat(person: Person, slug: str) -> Judge:
    """The person's seat on a contest's panel, until its result is decided. Raises Http404 otherwise."""
    if not isinstance(person, Member):
        raise Http404
    over = [ContestState.DECIDED, ContestState.PUBLISHED]
    seats = Judge.objects.filter(member=person, has_left=False).exclude(contest__state__in=over)
    return get_object_or_404(seats.select_related("contest"), contest__slug=slug)


def hearing_to_play(person: Person, code: str) -> Assignment:
    """The person's own hearing while its round is open to the judges, unless they stood aside from it.

    Raises Http404 otherwise.
    """
    hearing = own_hearing(person, code)
    if hearing.round.state != RoundState.JUDGING or hearing.state == HearingState.STOOD_ASIDE:
        raise Http404
    return hearing
