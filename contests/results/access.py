"""Who may see a result, hear a mix in it, and read a scorecard. The embargo holds here, for every channel."""

from __future__ import annotations

from django.http import Http404
from django.shortcuts import get_object_or_404

from academy.members.access import Person, is_host
from academy.members.models import Member
from contests.models import Contest, Entry, Result
from contests.states import ContestState

HEARD_PLACES = 3
"""Entries in these places are heard by everybody once the result is published."""


def result_for(person: Person, slug: str) -> Contest:
    """The contest whose result the person may see: everybody's once published, a host's once decided."""
    states = [ContestState.PUBLISHED]
    if is_host(person):
        states.append(ContestState.DECIDED)
    return get_object_or_404(Contest.objects.select_related("pack"), slug=slug, state__in=states)


def result_to_hear(person: Person, code: str) -> Result:
    """The result behind an address of the booth: a winner's, or the own one. Raises Http404 otherwise."""
    result = Result.objects.select_related("contest", "entry").filter(code=code).first()
    if result is None or not _may_hear(person, result):
        raise Http404
    return result


def own_scorecard(person: Person, receipt: str) -> Result:
    """The person's own result after publication. Raises Http404 for anybody else, hosts included."""
    if not isinstance(person, Member):
        raise Http404
    return get_object_or_404(
        Result.objects.select_related("contest", "entry__recording", "entry__member"),
        entry__receipt=receipt,
        entry__member=person,
        contest__state=ContestState.PUBLISHED,
    )


def published_result(receipt: str) -> Result:
    """The published result of an entry by its receipt, for whoever checks a certificate. Raises Http404."""
    return get_object_or_404(
        Result.objects.select_related("contest", "entry__member"),
        entry__receipt=receipt,
        contest__state=ContestState.PUBLISHED,
    )


def scorecard_entries(person: Person, contest: Contest) -> list[Entry]:
    """The person's own entries that have a scorecard, none before publication."""
    if not isinstance(person, Member) or contest.state != ContestState.PUBLISHED:
        return []
    return list(contest.entries.filter(member=person, result__isnull=False))


def _may_hear(person: Person, result: Result) -> bool:
    if is_host(person):
        return True
    if result.contest.state != ContestState.PUBLISHED:
        return False
    is_own = isinstance(person, Member) and result.entry.member_id == person.pk
    return is_own or result.place <= HEARD_PLACES
