"""Who may see what of a contest. Not found and not allowed look the same: 404."""

from __future__ import annotations

from django.http import Http404
from django.shortcuts import get_object_or_404

from academy.members.access import Person, as_member, is_host
from contests.models import Contest, Entry
from contests.states import ContestState


def contest_for(person: Person, slug: str) -> Contest:
    """The contest under an address. Raises Http404 for a draft, unless a host asks."""
    contest = (
        Contest.objects.select_related("tier", "pack", "pack__reference_mix", "pack__tier", "vote")
        .filter(slug=slug)
        .first()
    )
    if contest is None or (contest.state == ContestState.DRAFT and not is_host(person)):
        raise Http404
    return contest


def own_entry(person: Person, receipt: str) -> Entry:
    """The person's own entry by the reference on its receipt. Raises Http404 for anybody else's."""
    return get_object_or_404(
        Entry.objects.select_related("contest", "contest__pack", "recording"),
        receipt=receipt,
        member=as_member(person),
    )
