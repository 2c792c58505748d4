"""What is computed from all sheets of a contest, kept by this process until something about it changes.

For pages alone: what is decided is always computed anew. In a contest of thousands of entries reading every
score takes longer than a page may.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from typing import TypeVar

from django.core.cache import cache
from django.db.models import Count, Max, Q

from contests.models import Assignment, Contest, EntryMove, ScoreSheet
from contests.states import HearingState

KEPT_FOR_S = 3600

Computed = TypeVar("Computed")


def kept(contest: Contest, name: str, compute: Callable[[], Computed]) -> Computed:
    """What `compute` gives, from the cache while no sheet, hearing, entry, round or weight has changed.

    `name` says what it is and with which settings. What `compute` raises is raised and not kept.
    """
    key = f"judged-{contest.pk}-{name}-{_state_of(contest)}"
    found: Computed | None = cache.get(key)
    if found is None:
        found = compute()
        cache.set(key, found, KEPT_FOR_S)
    return found


def _state_of(contest: Contest) -> str:
    """A fingerprint of everything that a standing rests on. Sealed sheets never change, so counting them
    does.
    """
    sheets = ScoreSheet.objects.filter(assignment__round__contest=contest, submitted_at__isnull=False)
    hearings = Assignment.objects.filter(round__contest=contest)
    state = (
        contest.state,
        sheets.aggregate(Count("pk"), Max("submitted_at"), Max("pk")),
        hearings.aggregate(
            Count("pk"), Max("pk"), submitted=Count("pk", filter=Q(state=HearingState.SUBMITTED))
        ),
        EntryMove.objects.filter(entry__contest=contest).aggregate(Count("pk"), Max("pk")),
        list(contest.entries.order_by("state").values_list("state").annotate(Count("pk"))),
        list(contest.rounds.values_list("pk", "state", "kind", "goes_on", "takes_borderline")),
        list(contest.criteria.values_list("pk", "name", "weight")),
    )
    return hashlib.sha256(repr(state).encode()).hexdigest()
