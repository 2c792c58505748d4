"""What the host's desk reads, with its joins. The number of queries does not grow with the entries."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from uuid import UUID

from django.db.models import Count, Q, QuerySet, Sum

from analysis.listening.models import ListeningCopy
from analysis.measuring.measuring import kept_numbers
from analysis.measuring.models import Measurement
from contests.hosting.steps import Step, needs_of, steps_of
from contests.hosting.tallies import Tally, tallies_of
from contests.models import Contest, Decision, Entry, Judge, Round
from contests.queries import stage_of
from contests.states import EntryState, HearingState

ON_THE_DESK = (EntryState.CHECKING, EntryState.ATTENTION, EntryState.READY, EntryState.DISQUALIFIED)
"""What the host looks at; what was replaced, set aside or withdrawn is out of the contest."""
FIRST_ON_THE_DESK = {EntryState.ATTENTION: 0, EntryState.CHECKING: 1, EntryState.READY: 2}


@dataclass(frozen=True)
class HostedContest:
    """One line of the list of contests: where it is and what it needs now."""

    contest: Contest
    stage: str
    tally: Tally
    needs: list[str]


@dataclass(frozen=True)
class EntryLine:
    """One entry on the desk, with what was measured and the copy that judges hear, as far as they exist."""

    entry: Entry
    measurement: Measurement | None
    copy: ListeningCopy | None


@dataclass(frozen=True)
class Desk:
    """One contest as its host sees it."""

    contest: Contest
    stage: str
    tally: Tally
    needs: list[str]
    steps: list[Step]
    entries: list[EntryLine]
    judges: list[Judge]


@dataclass(frozen=True)
class LogLine:
    """One line of the decision log, its details as pairs of words."""

    decision: Decision
    details: list[tuple[str, str]]


def contests_hosted(now: datetime) -> list[HostedContest]:
    """Every contest, those that need something first, then the latest."""
    contests = list(Contest.objects.select_related("pack__reference_mix", "vote"))
    tallies = tallies_of(contests)
    lines = [
        HostedContest(one, stage_of(one, now), tallies[one.pk], needs_of(one, tallies[one.pk], now))
        for one in contests
    ]
    return sorted(lines, key=lambda line: not line.needs)


def desk_of(contest: Contest, now: datetime) -> Desk:
    """All that the desk of one contest shows."""
    tally = tallies_of([contest])[contest.pk]
    return Desk(
        contest=contest,
        stage=stage_of(contest, now),
        tally=tally,
        needs=needs_of(contest, tally, now),
        steps=steps_of(contest, tally, now),
        entries=entry_lines(contest, tally.round),
        judges=list(judges_at_work(contest, tally.round)),
    )


def entry_lines(contest: Contest, round_: Round | None) -> list[EntryLine]:
    """The entries that stand or may yet: those to decide about first, each group by receipt.

    By receipt and not by time, so that the list gives no hint of who is who.
    """
    entries = list(contest.entries.filter(state__in=ON_THE_DESK).select_related("recording", "member"))
    measured = kept_numbers(entry.recording_id for entry in entries)
    copies = copies_of(round_)
    lines = [EntryLine(one, measured.get(one.recording_id), copies.get(one.recording_id)) for one in entries]
    return sorted(
        lines, key=lambda line: (FIRST_ON_THE_DESK.get(EntryState(line.entry.state), 3), line.entry.receipt)
    )


def copies_of(round_: Round | None) -> Mapping[UUID, ListeningCopy]:
    """The round's listening copies by recording; empty without a round."""
    if round_ is None or round_.plan_id is None:
        return {}
    return {copy.recording_id: copy for copy in ListeningCopy.objects.filter(plan=round_.plan_id)}


def judges_at_work(contest: Contest, round_: Round | None) -> QuerySet[Judge]:
    """The panel, by name, each with `asked`, `submitted`, `left`, `missing` and `heard_s`."""
    own = Q(assignments__round=round_, assignments__entry__state=EntryState.READY)
    counted = {
        "asked": Count("assignments", filter=own),
        "heard_s": Sum("assignments__heard_s", filter=own, default=0.0),
    }
    for name, state in {
        "submitted": HearingState.SUBMITTED,
        "left": HearingState.STOOD_ASIDE,
        "missing": HearingState.WAITING,
    }.items():
        counted[name] = Count("assignments", filter=own & Q(assignments__state=state))
    return contest.judges.select_related("member").annotate(**counted).order_by("member__name", "pk")


def log_lines(contest: Contest) -> list[LogLine]:
    """The decision log, the latest line first."""
    lines = contest.decisions.select_related("actor").order_by("-number")
    return [LogLine(line, list(_words_of(line.details.items()))) for line in lines]


def _words_of(details: Iterable[tuple[str, Any]]) -> Iterable[tuple[str, str]]:
    for name, value in details:
        if isinstance(value, Mapping):
            text = ", ".join(f"{key}: {one}" for key, one in value.items())
        elif isinstance(value, list):
            text = ", ".join(str(one) for one in value)
        elif isinstance(value, bool):
            text = "yes" if value else "no"
        else:
            text = str(value)
        yield name.replace("_", " "), text or "–"
