"""What the host's desk reads, with its joins. The number of queries does not grow with the entries."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from uuid import UUID

from django.core.paginator import Page, Paginator
from django.db.models import Case, Count, Q, QuerySet, Sum, When

from analysis.listening.models import ListeningCopy
from analysis.measuring.measuring import kept_numbers
from analysis.measuring.models import Measurement
from contests.hosting.steps import Step, needs_of, steps_of
from contests.hosting.tallies import Tally, tallies_of
from contests.models import Contest, Decision, Entry, Judge, Round
from contests.queries import stage_of
from contests.states import HEARD, EntryState, HearingState

ON_THE_DESK = (EntryState.CHECKING, EntryState.ATTENTION, EntryState.READY, EntryState.DISQUALIFIED)
"""What the host looks at; what was replaced, set aside or withdrawn is out of the contest."""
FIRST_ON_THE_DESK = (EntryState.ATTENTION, EntryState.CHECKING, EntryState.READY)
ENTRIES_A_PAGE = 100


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
    entries: list[EntryLine]  # of one page
    page: Page[Entry]
    judges: list[Judge]


@dataclass(frozen=True)
class LogLine:
    """One line of the decision log, its details as pairs of words."""

    decision: Decision
    details: list[tuple[str, str]]


def contests_hosted(now: datetime) -> list[HostedContest]:
    """Every contest, those that need something first, then the latest."""
    contests = list(Contest.objects.select_related("pack__reference_mix"))
    tallies = tallies_of(contests)
    lines = [
        HostedContest(one, stage_of(one, now), tallies[one.pk], needs_of(one, tallies[one.pk], now))
        for one in contests
    ]
    return sorted(lines, key=lambda line: not line.needs)


def desk_of(contest: Contest, now: datetime, *, page: str | None = None) -> Desk:
    """All that the desk of one contest shows, with the entries of one page."""
    tally = tallies_of([contest])[contest.pk]
    shown = Paginator(entries_on_desk(contest), ENTRIES_A_PAGE).get_page(page)
    return Desk(
        contest=contest,
        stage=stage_of(contest, now),
        tally=tally,
        needs=needs_of(contest, tally, now),
        steps=steps_of(contest, tally, now),
        entries=_lines(list(shown), tally.round),
        page=shown,
        judges=list(judges_at_work(contest, tally.round)),
    )


def entries_on_desk(contest: Contest) -> QuerySet[Entry]:
    """The entries that stand or may yet: those to decide about first, each group by receipt.

    By receipt and not by time, so that the list gives no hint of who is who.
    """
    first = Case(*(When(state=state, then=at) for at, state in enumerate(FIRST_ON_THE_DESK)), default=9)
    entries = contest.entries.filter(state__in=ON_THE_DESK).select_related("recording", "member")
    return entries.order_by(first, "receipt")


def entry_lines(contest: Contest, round_: Round | None) -> list[EntryLine]:
    """Every entry on the desk with its measurement and its copy."""
    return _lines(list(entries_on_desk(contest)), round_)


def _lines(entries: Sequence[Entry], round_: Round | None) -> list[EntryLine]:
    measured = kept_numbers(entry.recording_id for entry in entries)
    copies: dict[UUID, ListeningCopy] = {}
    if round_ is not None and round_.plan_id is not None:
        recordings = [entry.recording_id for entry in entries]
        of_plan = ListeningCopy.objects.filter(plan=round_.plan_id, recording__in=recordings)
        copies = {copy.recording_id: copy for copy in of_plan.defer("outline")}
    return [EntryLine(one, measured.get(one.recording_id), copies.get(one.recording_id)) for one in entries]


def judges_at_work(contest: Contest, round_: Round | None) -> QuerySet[Judge]:
    """The panel, by name, each with `asked`, `submitted`, `left`, `missing` and `heard_s`."""
    own = Q(assignments__round=round_, assignments__entry__state__in=HEARD)
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
