"""Letters that are due by the clock, each once.

To whoever asked for it that entries close, to judges that sheets are missing, to voters that a vote is open
or ends.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from django.db import transaction
from django.db.models import QuerySet
from django.utils import timezone

from academy.members.models import Member
from analysis.jobs import requesting
from analysis.jobs.claiming import Claim
from contests import letters
from contests.decisions import JUDGING_OPENED
from contests.judging.panel import judges_with_missing_sheets
from contests.models import Contest, Reminder, Round, Vote
from contests.states import STANDING_ENTRY, ContestState, EntryState, RoundState
from contests.voting.ballots import open_votes, voters_of, why_not_open

REMIND_OF_DEADLINE = "remind_of_deadline"
"""The kind of job that writes to those whose letter is due; its subject is a contest's primary key."""
JUDGES_TOLD_BEFORE = timedelta(days=2)
"""So long before the end of judging a judge with missing sheets is written to. Common practice, no source."""
TELL_VOTERS = "tell_voters"
"""The kind of job that writes to all who may vote; its subject is a vote's primary key."""
VOTERS_TOLD_BEFORE = timedelta(days=1)
"""So long before a vote's end who has not voted is written to. Common practice, no source."""
OPENING, ENDING = "opening_told_at", "ending_told_at"
"""A vote's two letters, by the fields that say when they had been written."""


@dataclass(frozen=True)
class Moment:
    """A moment before the close. `field` of a Reminder says which close its letter was about.

    Lengths are of time that has gone by, not of days on a calendar: a clock that is put forward changes
    nothing.
    """

    field: str
    before: timedelta


# Three days and one day before. Common practice, no source.
EARLY, LATE = Moment("early_about", timedelta(days=3)), Moment("late_about", timedelta(days=1))


def ask(contest: Contest, member: Member, *, now: datetime) -> bool:
    """Have the member reminded of the close. A second time changes nothing. False once it has closed."""
    if not may_ask(contest, now):
        return False
    Reminder.objects.get_or_create(contest=contest, member=member, defaults={"asked_at": now})
    return True


def stop(contest: Contest, member: Member) -> None:
    """Send no more of them about this contest. Nothing happens when the member never asked."""
    Reminder.objects.filter(contest=contest, member=member).delete()


def may_ask(contest: Contest, now: datetime) -> bool:
    """Whether there is a close to be reminded of."""
    return contest.state == ContestState.OPEN and now < contest.closes_at


def moments_ahead(contest: Contest, now: datetime) -> list[Moment]:
    """The moments that are still to come; empty within the last day and after the close."""
    return [one for one in (EARLY, LATE) if now < contest.closes_at - one.before]


def moment_come(contest: Contest, now: datetime) -> Moment | None:
    """The latest of the moments that has come; None before the first, and from the close on."""
    if not may_ask(contest, now):
        return None
    come = [one for one in (EARLY, LATE) if contest.closes_at - one.before <= now]
    return come[-1] if come else None


def due(contest: Contest, now: datetime) -> QuerySet[Reminder]:
    """Who is to be written to now: asked before the moment came, has no entry that counts, was not told.

    A letter about another close does not count: where the close was moved, the new one is told.
    """
    come = moment_come(contest, now)
    if come is None:
        return Reminder.objects.none()
    live = contest.entries.filter(state__in=[*STANDING_ENTRY, EntryState.CHECKING])
    asked = contest.reminders.filter(member__is_active=True, asked_at__lt=contest.closes_at - come.before)
    return asked.exclude(**{come.field: contest.closes_at}).exclude(member__in=live.values("member"))


def sweep(now: datetime) -> None:
    """Have everybody written to whose letter is due."""
    soon = Contest.objects.filter(state=ContestState.OPEN, closes_at__gt=now)
    for contest in soon.filter(closes_at__lte=now + EARLY.before):
        if due(contest, now).exists():
            requesting.request(REMIND_OF_DEADLINE, contest.pk)  # changes nothing while its job waits or runs
    for vote in open_votes(now):
        if vote_letter_due(vote, now) is not None:
            requesting.request(TELL_VOTERS, vote.pk)
    _remind_judges(now)


def remind_of_deadline(claim: Claim) -> None:
    """The job: some letters a transaction, each marked with its close, so that nobody is told twice."""
    now = timezone.now()
    contest = Contest.objects.get(pk=int(claim.subject))
    come = moment_come(contest, now)
    if come is None:
        return
    for portion in letters.in_portions(due(contest, now).select_related("member").order_by("pk")):
        with transaction.atomic():
            for reminder in portion:
                letters.deadline_near(reminder, contest, moment_name=come.field, now=now)
            told = Reminder.objects.filter(pk__in=[reminder.pk for reminder in portion])
            told.update(**{come.field: contest.closes_at})


def vote_letter_due(vote: Vote, now: datetime) -> str | None:
    """Which of a vote's letters is due: OPENING or ENDING; None for none.

    Who was told of the opening within the last day needs no second letter.
    """
    if why_not_open(vote, now) is not None:
        return None
    if vote.opening_told_at is None:
        return OPENING
    last_day = vote.closes_at - VOTERS_TOLD_BEFORE
    is_ending = vote.opening_told_at <= last_day <= now
    return ENDING if is_ending and vote.ending_told_at is None else None


def tell_voters(claim: Claim) -> None:
    """The job: a letter to each who may vote and has not, some a transaction; done again, to nobody twice."""
    now = timezone.now()
    vote = Vote.objects.select_related("contest").get(pk=int(claim.subject))
    due_now = vote_letter_due(vote, now)
    if due_now is None:
        return
    voted = vote.ballots.filter(submitted_at__isnull=False)
    for portion in letters.in_portions(voters_of(vote).exclude(pk__in=voted.values("member"))):
        with transaction.atomic():
            for member in portion:
                letters.public_vote(vote, member, is_ending=due_now == ENDING, now=now)
    with claim.finishing():
        Vote.objects.filter(pk=vote.pk).update(**{due_now: now})


def _remind_judges(now: datetime) -> None:
    """Of rounds that were opened before the moment: who was let in after it has just been written to."""
    ending = Round.objects.filter(
        state=RoundState.JUDGING,
        contest__judging_until__gt=now,
        contest__judging_until__lte=now + JUDGES_TOLD_BEFORE,
    )
    for round_ in ending.select_related("contest"):
        until = round_.contest.judging_until
        opened = round_.contest.decisions.filter(action=JUDGING_OPENED).order_by("number").last()
        if opened is not None and opened.decided_at > until - JUDGES_TOLD_BEFORE:
            continue
        for judge in judges_with_missing_sheets(round_).exclude(reminded_of=until):
            with transaction.atomic():
                letters.judging_ends_soon(judge, round_, missing=judge.missing, now=now)
                judge.reminded_of = until
                judge.save(update_fields=["reminded_of"])
