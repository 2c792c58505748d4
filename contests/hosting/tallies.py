"""What there is of each contest, counted: for any number of contests with the same few queries."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from django.db.models import Count, Q, QuerySet

from analysis.jobs.models import Job, JobState
from analysis.listening.models import CopyState, ListeningCopy
from analysis.listening.planning import MAKE_COPY, MEASURE_PART
from contests.entering.checking import CHECK_ENTRY
from contests.judging.panel import seats_at_work
from contests.models import Assignment, Award, Contest, Entry, Prize, Round, ScreenedEntry, Turn
from contests.screening import repairing
from contests.states import (
    HEARD,
    HELD_AWARD,
    STANDING_ENTRY,
    AwardState,
    ContestState,
    EntryState,
    HearingState,
    RoundState,
    RulingKind,
    TurnState,
)


@dataclass
class Tally:
    """The counts of one contest. Copies and sheets are those of the last round that was prepared, about
    entries that stand; `next_round` is the first that is laid out and not prepared.
    """

    judges: int = 0
    round: Round | None = None
    next_round: Round | None = None
    entries: dict[str, int] = field(default_factory=dict)  # by state
    copies: dict[str, int] = field(default_factory=dict)  # by state
    second_copies: int = 0  # among them, for those that a judge hears twice
    sheets: dict[str, int] = field(default_factory=dict)  # by state
    given_out: int = 0  # entries that somebody is to hear
    anchors: int = 0  # a host's own mixes that somebody is to hear
    given_up: int = 0  # checks and copies that failed for good
    noticed: int = 0  # entries about which something was noticed and nothing decided
    answered: int = 0  # decisions that were answered, repairs that did not come or are not as asked
    awaited: int = 0  # repaired files that may still come in
    fallen_away: int = 0  # hearings of an open round that nobody has taken over yet
    prizes_to_give: int = 0  # of a published contest, with nobody and not kept back
    prizes_to_send: int = 0  # confirmed by their winners
    answers_due: list[datetime] = field(default_factory=list)  # when winners are to have answered or chosen

    @property
    def checking(self) -> int:
        """Uploads that the meter has not read yet."""
        return self.entries.get(EntryState.CHECKING, 0)

    @property
    def attention(self) -> int:
        """Entries about which the host has to decide."""
        return self.entries.get(EntryState.ATTENTION, 0)

    @property
    def ready(self) -> int:
        """Entries that are as asked, or were accepted."""
        return self.entries.get(EntryState.READY, 0)

    @property
    def disqualified(self) -> int:
        """Entries that a host took out."""
        return self.entries.get(EntryState.DISQUALIFIED, 0)

    @property
    def out(self) -> list[tuple[str, int]]:
        """What is out of the contest, as the state's words and how many; states without any are left out."""
        live = {EntryState.CHECKING, EntryState.ATTENTION, EntryState.READY}
        out = [state for state in EntryState if state not in live and self.entries.get(state)]
        return [(str(state.label), self.entries[state]) for state in out]

    @property
    def live(self) -> int:
        """Entries that stand or may yet, the one being checked included."""
        return self.checking + self.attention + self.ready

    @property
    def measured(self) -> int:
        """Live entries that the meter has read."""
        return self.attention + self.ready

    @property
    def copies_waiting(self) -> int:
        """Copies in the making."""
        return self.copies.get(CopyState.WAITING, 0)

    @property
    def copies_refused(self) -> int:
        """Copies that a meter refused."""
        return self.copies.get(CopyState.REFUSED, 0)

    @property
    def copies_ready(self) -> int:
        """Copies that both meters have read."""
        return self.copies.get(CopyState.READY, 0)

    @property
    def copies_all(self) -> int:
        """All copies of entries that stand."""
        return sum(self.copies.values())

    @property
    def sheets_missing(self) -> int:
        """Hearings without a submitted sheet."""
        return self.sheets.get(HearingState.WAITING, 0)

    @property
    def sheets_submitted(self) -> int:
        """Sealed sheets."""
        return self.sheets.get(HearingState.SUBMITTED, 0)

    @property
    def sheets_asked(self) -> int:
        """Hearings that judges did not leave."""
        return self.sheets_missing + self.sheets_submitted

    @property
    def unassigned(self) -> int:
        """Entries that nobody would hear if the round opened now; 0 while there is none."""
        if self.round is None:
            return 0
        # Who was cut has no copy in a later round. In the first one an entry without a copy is left out.
        matched = self.copies_all - self.second_copies
        return (self.ready if self.round.number == 1 else matched - self.anchors) - self.given_out

    @property
    def late(self) -> int:
        """Ready entries that an open first round could still take in."""
        return self.unassigned if self.is_judging and self.round and self.round.number == 1 else 0

    @property
    def round_state(self) -> str:
        """The state of the last round; empty while there is none."""
        return self.round.state if self.round else ""

    @property
    def is_moving(self) -> bool:
        """Whether a machine is at work, so that these numbers change by themselves."""
        return bool(self.checking or self.copies_waiting)

    @property
    def is_judging(self) -> bool:
        """Whether judges are at work."""
        return self.round_state == RoundState.JUDGING


def tallies_of(contests: Sequence[Contest]) -> dict[int, Tally]:
    """The tally of each contest by its primary key. The number of queries does not depend on theirs."""
    tallies = {contest.pk: Tally() for contest in contests}
    rounds = Round.objects.filter(contest__in=tallies).select_related("plan__limiting").order_by("number")
    for round_ in rounds:
        tally = tallies[round_.contest_id]
        if round_.state != RoundState.PLANNED:
            tally.round = round_  # the last one stays
        elif tally.next_round is None:
            tally.next_round = round_
    for contest, judges in (
        seats_at_work().filter(contest__in=tallies).values_list("contest").annotate(Count("pk"))
    ):
        tallies[contest].judges = judges
    for contest, state, number in _by_state(Entry.objects.filter(contest__in=tallies), "contest"):
        tallies[contest].entries[state] = number
    last = {tally.round.pk: contest for contest, tally in tallies.items() if tally.round}
    hearings = Assignment.objects.filter(round__in=last, entry__state__in=HEARD)
    for round_id, state, number in _by_state(hearings, "round"):
        tallies[last[round_id]].sheets[state] = number
    given_out = hearings.order_by().values_list("round", "entry__state")
    for round_id, state, number in given_out.annotate(Count("entry", distinct=True)):
        if state == EntryState.READY:
            tallies[last[round_id]].given_out = number
        else:
            tallies[last[round_id]].anchors = number
    _count_fallen_away(tallies, hearings)
    _count_copies(tallies)
    _count_given_up(tallies)
    _count_rulings(tallies)
    _count_prizes(tallies)
    return tallies


def _by_state(rows: QuerySet[Any], group: str) -> Iterable[Any]:
    """Triples of group, state and number."""
    counted: Iterable[Any] = rows.order_by().values_list(group, "state").annotate(Count("pk"))
    return counted


def _count_fallen_away(tallies: dict[int, Tally], hearings: QuerySet[Assignment]) -> None:
    """Of each entry in an open round, what it lacks of the hearings that were promised."""
    heard = (
        hearings.filter(
            entry__state=EntryState.READY, round__state=RoundState.JUDGING, round__heard_by_all=False
        )
        .order_by()
        .values_list("round__contest", "round__hearings_per_entry", "entry")
        .annotate(heard=Count("judge", filter=~Q(state=HearingState.STOOD_ASIDE), distinct=True))
    )
    for contest, wanted, _, number in heard:
        tallies[contest].fallen_away += max(0, wanted - number)


def _count_copies(tallies: dict[int, Tally]) -> None:
    plans = {tally.round.plan_id: contest for contest, tally in tallies.items() if tally.round}
    standing = Entry.objects.filter(contest__in=tallies, state__in=HEARD).values("recording")
    copies = ListeningCopy.objects.filter(plan__in=[plan for plan in plans if plan], recording__in=standing)
    for plan, state, number in _by_state(copies, "plan"):
        tallies[plans[plan]].copies[state] = number
    seconds = copies.filter(number__gt=0).order_by().values_list("plan").annotate(Count("pk"))
    for plan, number in seconds:
        tallies[plans[plan]].second_copies = number


def _count_given_up(tallies: dict[int, Tally]) -> None:
    subjects: dict[str, set[int]] = {CHECK_ENTRY: set(), MAKE_COPY: set(), MEASURE_PART: set()}
    failed = Job.objects.filter(state=JobState.FAILED, kind__in=subjects)
    for kind, subject in failed.values_list("kind", "subject"):
        subjects[kind].add(int(subject))
    checks = Entry.objects.filter(
        contest__in=tallies, state=EntryState.CHECKING, pk__in=subjects[CHECK_ENTRY]
    )
    for contest, number in checks.order_by().values_list("contest").annotate(Count("pk")):
        tallies[contest].given_up += number
    plans = {tally.round.plan_id: contest for contest, tally in tallies.items() if tally.round}
    copies = ListeningCopy.objects.filter(
        plan__in=[plan for plan in plans if plan],
        state=CopyState.WAITING,
        pk__in=subjects[MAKE_COPY] | subjects[MEASURE_PART],
    )
    for plan, number in copies.order_by().values_list("plan").annotate(Count("pk")):
        tallies[plans[plan]].given_up += number


def _count_rulings(tallies: dict[int, Tally]) -> None:
    """What screening and its decisions leave for the host to do."""
    asking = ScreenedEntry.objects.filter(
        screening__contest__in=tallies, asks=True, entry__state=EntryState.READY, entry__rulings__isnull=True
    )
    for contest, number in asking.order_by().values_list("screening__contest").annotate(Count("pk")):
        tallies[contest].noticed = number
    last = repairing.last_rulings(tallies).filter(entry__state__in=STANDING_ENTRY)
    for contest, number in (
        last.filter(repairing.HOSTS_TURN).order_by().values_list("entry__contest").annotate(Count("pk"))
    ):
        tallies[contest].answered = number
    open_ = last.filter(kind=RulingKind.REPAIR, repair__isnull=True, lapsed_at__isnull=True)
    for contest, number in open_.order_by().values_list("entry__contest").annotate(Count("pk")):
        tallies[contest].awaited = number


def _count_prizes(tallies: dict[int, Tally]) -> None:
    published = Contest.objects.filter(pk__in=tallies, state=ContestState.PUBLISHED)
    held = Award.objects.filter(state__in=HELD_AWARD)
    asked = Turn.objects.filter(contest__in=published, state=TurnState.ASKED)
    free = Prize.objects.filter(contest__in=published, is_kept_back=False).exclude(awards__in=held)
    free = free.exclude(is_choice=True, contest__in=asked.values("contest"))  # these move by themselves
    for contest, number in free.order_by().values_list("contest").annotate(Count("pk")):
        tallies[contest].prizes_to_give = number
    waiting = Award.objects.filter(
        prize__contest__in=published, state__in=[AwardState.TOLD, AwardState.CONFIRMED]
    )
    for contest, state, confirm_by in waiting.values_list("prize__contest", "state", "confirm_by"):
        if state == AwardState.CONFIRMED:
            tallies[contest].prizes_to_send += 1
        elif confirm_by is not None:
            tallies[contest].answers_due.append(confirm_by)
    for contest, choose_by in asked.values_list("contest", "choose_by"):
        tallies[contest].answers_due.append(choose_by)
