"""What the host's desk reads, with its joins. The number of queries does not grow with the entries."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from uuid import UUID

from django.core.paginator import Page, Paginator
from django.db.models import Case, Count, Q, QuerySet, Sum, Value, When

from analysis.listening.models import ListeningCopy
from analysis.measuring.measuring import kept_numbers
from analysis.measuring.models import Measurement
from contests.decisions import BY_ENTRANTS
from contests.hosting.inflow import Inflow, inflow_of
from contests.hosting.resources import Resources, resources_of
from contests.hosting.steps import Step, needs_of, steps_of
from contests.hosting.tallies import Tally, tallies_of
from contests.models import Contest, Decision, Entry, Judge, JudgingSession, Round
from contests.queries import stage_of
from contests.states import HEARD, EntryState, HearingState

ON_THE_DESK = (EntryState.CHECKING, EntryState.ATTENTION, EntryState.READY, EntryState.DISQUALIFIED)
"""What the host looks at; what was replaced, set aside or withdrawn is out of the contest."""
FIRST_ON_THE_DESK = (EntryState.ATTENTION, EntryState.CHECKING, EntryState.READY)
PAGE_LENGTH = 50  # entries that one page lists; a page of all of thousands took seconds


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
class Wanted:
    """Which entries the host looks for. Empty words look for everything on the desk, from its first page."""

    state: str = ""
    receipt: str = ""  # any part of it
    page: str = ""


@dataclass(frozen=True)
class EntryPage:
    """Some of the entries that were looked for, and where they stand among all of them."""

    lines: list[EntryLine]
    place: Page[Entry]


@dataclass(frozen=True)
class Desk:
    """One contest as its host sees it."""

    contest: Contest
    stage: str
    tally: Tally
    needs: list[str]
    steps: list[Step]
    entries: EntryPage
    inflow: Inflow
    resources: Resources
    judges: list[Judge]


@dataclass(frozen=True)
class LogLine:
    """One line of the decision log: who, and its details as pairs of words."""

    decision: Decision
    who: str
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


def desk_of(contest: Contest, now: datetime, wanted: Wanted) -> Desk:
    """All that the desk of one contest shows, of the entries one page."""
    tally = tallies_of([contest])[contest.pk]
    return Desk(
        contest=contest,
        stage=stage_of(contest, now),
        tally=tally,
        needs=needs_of(contest, tally, now),
        steps=steps_of(contest, tally, now),
        entries=entry_page(contest, tally.round, wanted),
        inflow=inflow_of(
            list(contest.entries.order_by().values_list("received_at", flat=True)),
            opens_at=contest.opens_at,
            ends_at=contest.grace_ends_at,
            zone=contest.timezone,
            now=now,
        ),
        resources=resources_of(contest, now),
        judges=list(judges_at_work(contest, tally.round)),
    )


def entry_page(contest: Contest, round_: Round | None, wanted: Wanted) -> EntryPage:
    """One page of the entries that the host looks for, with their numbers and copies."""
    place = Paginator(entries_wanted(contest, wanted), PAGE_LENGTH).get_page(wanted.page)
    return EntryPage(lines=lines_of(place.object_list, round_), place=place)


def copies_page(contest: Contest, round_: Round, page: str) -> EntryPage:
    """One page of the entries that have a copy in the round's match plan."""
    heard = ListeningCopy.objects.filter(plan=round_.plan_id).values("recording")
    found = entries_wanted(contest, Wanted()).filter(recording__in=heard)
    place = Paginator(found, PAGE_LENGTH).get_page(page)
    return EntryPage(lines=lines_of(place.object_list, round_), place=place)


def entries_wanted(contest: Contest, wanted: Wanted) -> QuerySet[Entry]:
    """The entries that are looked for: those to decide about first, each group by receipt.

    By receipt and not by time, so that the list gives no hint of who is who. Without a state and a receipt
    they are those that stand or may yet; a receipt finds what is out of the contest too.
    """
    found = contest.entries.select_related("recording", "member")
    if wanted.state:
        found = found.filter(state=wanted.state)
    elif not wanted.receipt:
        found = found.filter(state__in=ON_THE_DESK)
    if wanted.receipt:
        found = found.filter(receipt__icontains=wanted.receipt)
    ranks = [When(state=state, then=Value(rank)) for rank, state in enumerate(FIRST_ON_THE_DESK)]
    return found.order_by(Case(*ranks, default=Value(len(ranks))), "receipt")


def lines_of(entries: Iterable[Entry], round_: Round | None) -> list[EntryLine]:
    """The same entries, each with what is measured and its copy of the round, in two queries for all."""
    listed = list(entries)
    recordings = [entry.recording_id for entry in listed]
    measured = kept_numbers(recordings)
    copies = copies_of(round_, recordings)
    return [EntryLine(one, measured.get(one.recording_id), copies.get(one.recording_id)) for one in listed]


def copies_of(round_: Round | None, recordings: Collection[UUID]) -> Mapping[UUID, ListeningCopy]:
    """The round's listening copies of these recordings, without their outlines; empty without a round.

    The first ones: a second copy, for a hidden repeat, says the same.
    """
    if round_ is None or round_.plan_id is None:
        return {}
    found = ListeningCopy.objects.filter(plan=round_.plan_id, recording__in=recordings, number=0)
    found = found.defer("outline")
    return {copy.recording_id: copy for copy in found}


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


def sessions_of(judge: Judge, round_: Round | None) -> QuerySet[JudgingSession]:
    """The judge's sessions of hearing in the round, in order, each with its `new_mixes`; none without one."""
    own = JudgingSession.objects.filter(judge=judge, round=round_)
    return own.annotate(new_mixes=Count("first_heard")).order_by("number")


def log_lines(contest: Contest) -> list[LogLine]:
    """The decision log, the latest line first."""
    lines = contest.decisions.select_related("actor").order_by("-number")
    return [LogLine(line, _who(line), list(_words_of(line.details.items()))) for line in lines]


def _who(line: Decision) -> str:
    if line.actor is not None:
        return str(line.actor.name)
    return "the entrant" if line.action in BY_ENTRANTS else "the timetable"


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
