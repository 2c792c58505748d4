"""What visitors and entrants read, with its joins."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import datetime
from decimal import Decimal

from django.db.models import QuerySet

from academy.members.access import Person, is_host
from academy.members.models import Member
from academy.practice import grounds
from analysis.listening.booth import Section
from analysis.listening.models import MatchPlan
from contests.decisions import CHANGED
from contests.models import Contest, Criterion, Decision, Entry, EntryMove, Prize
from contests.states import STANDING_ENTRY, ContestState, EntryState

_AFTER_THE_CLOSE = {
    ContestState.OPEN: "entries closed",
    ContestState.CLOSED: "entries closed",
    ContestState.JUDGING: "being judged",
    ContestState.DECIDED: "result to be announced",
    ContestState.PUBLISHED: "result published",
}


@dataclass(frozen=True)
class ListedContest:
    """One line of the list of contests."""

    contest: Contest
    stage: str
    is_open: bool


@dataclass(frozen=True)
class WeighedCriterion:
    """One line of the rubric, with its share of the whole, a fraction of one."""

    criterion: Criterion
    share: Decimal


@dataclass(frozen=True)
class Step:
    """One arrow that an entry took, with the word for where it led."""

    move: EntryMove
    became: str


def contests_listed(person: Person, now: datetime) -> list[ListedContest]:
    """Every contest that the person may see: open ones first, the next to close on top; then the others."""
    contests = Contest.objects.select_related("tier", "pack")
    if not is_host(person):
        contests = contests.exclude(state=ContestState.DRAFT)
    listed = [ListedContest(one, stage_of(one, now), one.accepts_entries(now)) for one in contests]
    still_open = sorted((line for line in listed if line.is_open), key=lambda line: line.contest.closes_at)
    return still_open + [line for line in listed if not line.is_open]


def stage_of(contest: Contest, now: datetime) -> str:
    """Where the contest is, by the clock first: the timetable may run late and the deadline must not."""
    if contest.state == ContestState.DRAFT:
        return "draft"
    if contest.accepts_entries(now):
        return "open for entries"
    if contest.state == ContestState.OPEN and now < contest.opens_at:
        return "not open yet"
    return _AFTER_THE_CLOSE[ContestState(contest.state)]


def rubric_of(contest: Contest) -> list[WeighedCriterion]:
    """The rubric, each criterion with its share of the total weight. Empty while none is written."""
    criteria = list(contest.criteria.all())
    total = sum((criterion.weight for criterion in criteria), Decimal(0))
    return [WeighedCriterion(criterion, criterion.weight / total) for criterion in criteria]


def sections_of_song(contest: Contest, plan: MatchPlan | None = None) -> list[Section]:
    """The sections of the song, for the booth to jump by. Copies begin with the reference: one fits all.

    In a plan of a part they are told from its start; the one that it begins in is there from 0 on.
    """
    sections = [Section(one["name"], one["start_s"]) for one in grounds.sections_of(contest.pack)]
    if plan is None or not plan.is_part:
        return sections
    length_s = plan.frames / plan.rate_hz
    moved = [replace(one, start_s=one.start_s - plan.start_s) for one in sections]
    begun = [replace(one, start_s=0.0) for one in moved if one.start_s < 0][-1:]
    if any(one.start_s == 0 for one in moved):
        begun = []
    return begun + [one for one in moved if 0 <= one.start_s < length_s]


def prizes_of(contest: Contest) -> list[Prize]:
    """The prizes with their sponsors, places first."""
    return list(contest.prizes.select_related("sponsor"))


def totals_per_currency(prizes: Iterable[Prize]) -> list[tuple[str, Decimal]]:
    """What the prizes are worth together, in each currency by itself; prizes without a value are left out."""
    totals: dict[str, Decimal] = {}
    for prize in prizes:
        if prize.value is not None and prize.currency:
            totals[prize.currency] = totals.get(prize.currency, Decimal(0)) + prize.value
    return sorted(totals.items())


def announced_changes(contest: Contest) -> list[Decision]:
    """What was changed of the contest since it is public, the latest first."""
    return list(contest.decisions.filter(action=CHANGED).order_by("-number"))


def live_entries(contest: Contest, member: Member) -> list[Entry]:
    """The member's standing entry and the one that is being checked, as far as there are such."""
    states = [*STANDING_ENTRY, EntryState.CHECKING]
    return list(contest.entries.filter(member=member, state__in=states).select_related("recording"))


def entries_of(member: Member) -> QuerySet[Entry]:
    """All that the member ever entered, the latest first. A host's own anchors were not entered."""
    entered = member.entries.exclude(state=EntryState.OUTSIDE)
    return entered.select_related("contest", "recording").order_by("-received_at", "-pk")


def history_of(contest: Contest, member: Member) -> list[Step]:
    """Every step of the member's entries in the contest, in order."""
    moves = EntryMove.objects.filter(entry__contest=contest, entry__member=member)
    return [Step(move, EntryState(move.new_state).label) for move in moves.select_related("entry__recording")]
