"""What a host may open. For everybody else it is not there: 404."""

from __future__ import annotations

from django.shortcuts import get_object_or_404

from academy.members.access import Person, require_host
from contests.models import Contest, Entry, Judge
from contests.states import ContestState


def hosted_contest(person: Person, slug: str) -> Contest:
    """The contest under an address, drafts too. Raises Http404 for who is no host."""
    require_host(person)
    return get_object_or_404(Contest.objects.select_related("pack__reference_mix", "tier", "vote"), slug=slug)


def entry_on_desk(contest: Contest, receipt: str) -> Entry:
    """One entry of a contest whose host has been asked for already. Raises Http404 for an unknown receipt."""
    return get_object_or_404(contest.entries.select_related("recording", "member"), receipt=receipt)


def seat_on_panel(contest: Contest, judge_id: int) -> Judge:
    """One seat of a contest's panel. Raises Http404 for an unknown one."""
    return get_object_or_404(contest.judges.select_related("member", "contest"), pk=judge_id)


def is_blind(contest: Contest) -> bool:
    """Whether who is who is still to be asked for: until the result is decided."""
    return contest.state not in {ContestState.DECIDED, ContestState.PUBLISHED}
