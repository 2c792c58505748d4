"""Write to everybody who takes part in a contest, or to a group of them: one letter each, by a job."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

from django.db import transaction
from django.db.models import Count, QuerySet

from academy.letters.models import LetterState
from academy.members.models import Member
from analysis.jobs import requesting
from analysis.jobs.claiming import Claim
from contests import decisions, letters
from contests.hosting.refusals import HostingRefused
from contests.judging.panel import judges_with_missing_sheets
from contests.models import Audience, Contest, Message
from contests.states import STANDING_ENTRY, EntryState, RoundState

WRITE_MESSAGE = "write_message"
"""The kind of job that writes a message's letters; its subject is the message's primary key."""


@dataclass(frozen=True)
class SentMessage:
    """One message and what became of its letters; None while the job has not been through."""

    message: Message
    sent: int
    on_their_way: int
    failed: int
    unwanted: int | None


def people_of(contest: Contest, audience: str) -> QuerySet[Member]:
    """Who belongs to a group now, each once. Judges who have dropped out and members who have left do not."""
    states: Mapping[str, list[EntryState]] = {
        Audience.ENTRANTS: [*STANDING_ENTRY, EntryState.CHECKING],
        Audience.READY: [EntryState.READY],
        Audience.ATTENTION: [EntryState.ATTENTION],
        Audience.DISQUALIFIED: [EntryState.DISQUALIFIED],
    }
    if audience in states:
        found = contest.entries.filter(state__in=states[audience]).order_by().values("member")
    elif audience == Audience.JUDGES:
        found = contest.judges.filter(has_left=False).order_by().values("member")
    else:
        round_ = contest.rounds.filter(state=RoundState.JUDGING).first()
        if round_ is None:
            return Member.objects.none()
        found = contest.judges.filter(pk__in=judges_with_missing_sheets(round_).values("pk")).values("member")
    return Member.objects.filter(pk__in=found, is_active=True).order_by("pk")


@transaction.atomic
def send(
    contest_id: int, *, once: UUID, audience: str, subject: str, text: str, actor: Member, now: datetime
) -> Message:
    """Have a message written to a group, and record it. The same `once` again changes nothing.

    The log keeps the group, the subject and the text's SHA-256; the message itself keeps the text. Raises
    HostingRefused when nobody is in the group.
    """
    contest = Contest.objects.select_for_update().get(pk=contest_id)
    if earlier := Message.objects.filter(once=once).first():
        return earlier
    if not people_of(contest, audience).exists():
        raise HostingRefused(
            f"Nobody is in the group “{Audience(audience).label}” now, so nothing was sent. Choose another."
        )
    message = Message.objects.create(
        contest=contest,
        once=once,
        audience=audience,
        subject=subject,
        text=text,
        written_by=actor,
        written_at=now,
    )
    requesting.request(WRITE_MESSAGE, message.pk)
    details = {
        "to": str(Audience(audience).label),
        "subject": subject,
        "sha256": hashlib.sha256(text.encode()).hexdigest(),
    }
    decisions.record(contest, "message sent", actor=actor, now=now, details=details)
    return message


def write_message(claim: Claim) -> None:
    """The job: a letter to each, some a transaction. Done again, it writes to nobody twice."""
    message = Message.objects.select_related("contest").get(pk=int(claim.subject))
    people = 0
    for portion in letters.in_portions(people_of(message.contest, message.audience)):
        with transaction.atomic():
            written = [letters.host_writes(message, member) for member in portion]
            message.letters.add(*(letter for letter in written if letter is not None))
        people += len(portion)
    with claim.finishing():
        Message.objects.filter(pk=message.pk).update(people=people)


def messages_of(contest: Contest) -> list[SentMessage]:
    """Every message of the contest, the latest first, each with its letters counted: two queries for all."""
    messages = list(contest.messages.select_related("written_by"))
    counts: dict[int, dict[str, int]] = {message.pk: {} for message in messages}
    rows = Message.letters.through.objects.filter(message__in=counts).order_by()
    for pk, state, number in rows.values_list("message", "letter__state").annotate(Count("pk")):
        counts[pk][state] = number
    return [_counted(message, counts[message.pk]) for message in messages]


def _counted(message: Message, letters_by_state: Mapping[str, int]) -> SentMessage:
    withheld = letters_by_state.get(LetterState.WITHHELD, 0)
    # Who had the kind switched off already has no letter at all.
    never_written = None if message.people is None else message.people - sum(letters_by_state.values())
    return SentMessage(
        message=message,
        sent=letters_by_state.get(LetterState.SENT, 0),
        on_their_way=letters_by_state.get(LetterState.WAITING, 0),
        failed=letters_by_state.get(LetterState.GIVEN_UP, 0),
        unwanted=None if never_written is None else max(0, never_written) + withheld,
    )
