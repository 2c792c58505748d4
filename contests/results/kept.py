"""What is computed from all sheets of a contest, kept by this process until something about it changes.

For pages alone: what is decided is always read and computed anew. In a contest of thousands of entries
reading every score takes longer than a page may.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from django.core.cache import cache
from django.db.models import Count, Max, Q
from numpy.typing import NDArray

from contests.models import Assignment, Contest, EntryMove, ScoreSheet
from contests.results.reading import CountingSheets, scores_from_rows
from contests.scoring.ties import Floats, Indices
from contests.states import HearingState

KEPT_FOR_S = 3600

Computed = TypeVar("Computed")


@dataclass(frozen=True, eq=False)
class _KeptScores:
    """What so many sealed sheets said: `value` (n_sheets, n_criteria), by keys, moments and criteria."""

    criteria: tuple[int, ...]
    sheet: Indices
    sealed: NDArray[np.bytes_]
    value: Floats


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


def kept_scores(contest: Contest, sheets: CountingSheets, criteria: Sequence[int]) -> Floats:
    """The same as `scores_from_rows` gives; only sheets that were not read before are read.

    Which sheets count is the caller's to say, each time. A kept sheet is taken for one of these only if it
    was sealed at the same moment and has the same key.
    """
    key = f"sealed-{contest.pk}"
    before: _KeptScores | None = cache.get(key)
    value = np.full((sheets.sheet.size, len(criteria)), np.nan)
    is_known = np.zeros(sheets.sheet.size, dtype=bool)
    if before is not None and before.criteria == tuple(criteria):
        _, own, earlier = np.intersect1d(sheets.sheet, before.sheet, assume_unique=True, return_indices=True)
        same = sheets.sealed[own] == before.sealed[earlier]
        is_known[own[same]] = True
        value[own[same]] = before.value[earlier[same]]
    if not is_known.all():
        value[~is_known] = scores_from_rows(contest, sheets.rows(~is_known), criteria)
        cache.set(key, _KeptScores(tuple(criteria), sheets.sheet, sheets.sealed, value), KEPT_FOR_S)
    return value


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
