"""Which mixes are voted on, and whether all of them can be heard."""

from __future__ import annotations

from django.db.models import QuerySet

from analysis.listening.models import CopyState, ListeningCopy
from contests.judging.access import OPENED
from contests.models import Contest, Entry, Round, Vote, VoteField
from contests.states import EntryState


def entries_of_vote(vote: Vote) -> QuerySet[Entry]:
    """The entries that stand and are in the vote's match plan; none before it is prepared."""
    planned = ListeningCopy.objects.filter(plan=vote.plan_id)
    return vote.contest.entries.filter(state=EntryState.READY, recording__in=planned.values("recording"))


def entries_to_draw(vote: Vote) -> QuerySet[Entry]:
    """Those of them whose copy is ready: one that came in late is drawn once it can be heard."""
    ready = ListeningCopy.objects.filter(plan=vote.plan_id, state=CopyState.READY, number=0)
    return entries_of_vote(vote).filter(recording__in=ready.values("recording"))


def entries_under_other_rules(vote: Vote) -> QuerySet[Entry]:
    """The ready entries that were sent under rules that did not say yet that members may hear them."""
    ready = vote.contest.entries.filter(state=EntryState.READY)
    return ready if vote.in_rules_since is None else ready.filter(rules_version__lt=vote.in_rules_since)


def copies_in_state(vote: Vote, state: CopyState) -> QuerySet[ListeningCopy]:
    """Copies of the entries voted on that are in a state: of each its first, which is what voters hear."""
    recordings = entries_of_vote(vote).values("recording")
    return ListeningCopy.objects.filter(plan=vote.plan_id, state=state, recording__in=recordings, number=0)


def round_to_follow(contest: Contest, field: str) -> Round | None:
    """The round whose copies serve the vote as they are; None where the vote needs its own.

    Only a round that has opened: before, its plan may still be thrown away.
    """
    opened = contest.rounds.filter(state__in=OPENED, plan__isnull=False)
    if field == VoteField.LAST_ROUND:
        return opened.last()
    ready = set(contest.entries.filter(state=EntryState.READY).values_list("recording", flat=True))
    for round_ in opened:
        assert round_.plan is not None
        copies = round_.plan.copies.filter(state=CopyState.READY, number=0)
        if ready <= set(copies.values_list("recording", flat=True)):
            return round_
    return None
