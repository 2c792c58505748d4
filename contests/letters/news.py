"""Letters about a contest to everybody whom it concerns."""

from __future__ import annotations

from datetime import datetime

from django.db import transaction
from django.urls import reverse

from academy.letters.addresses import absolute
from academy.letters.kinds import Kind, announce
from academy.letters.models import Letter
from academy.members.models import Member
from academy.templatetags.audio_text import moment
from analysis.jobs import requesting
from analysis.jobs.claiming import Claim
from contests.decisions import CHANGED
from contests.letters.addressing import PAGES, SAMPLE, in_portions, to_entrant, to_member
from contests.models import Contest, Decision, Entry, Message, Reminder
from contests.states import STANDING_ENTRY, EntryState

TELL_ENTRANTS = "tell_entrants"
"""The kind of job that writes to everybody about one line of the decision log, its subject."""

CONTEST_CHANGED = announce(
    Kind(
        name="contest-changed",
        title="A contest that you entered was changed",
        subject="{contest} was changed",
        templates=f"{PAGES}/contest_changed",
        why="you have an entry in this contest",
        is_essential=True,
        sample=SAMPLE | {"reason": "More time for all.", "things": ["entries close"]},
    )
)
RESULT_PUBLISHED = announce(
    Kind(
        name="result-published",
        title="A result is published",
        subject="The result of {contest}",
        templates=f"{PAGES}/result_published",
        why="you have an entry in this contest",
        is_essential=False,
        sample=SAMPLE | {"result": "https://school.example/contests/results/low-tide/"},
    )
)
DEADLINE_NEAR = announce(
    Kind(
        name="deadline-near",
        title="A deadline of which you wanted to be reminded",
        subject="{contest}: entries close on {closes}",
        templates=f"{PAGES}/deadline_near",
        why="you asked on the page of the contest to be reminded of its deadline",
        is_essential=False,
        sample=SAMPLE | {"closes": "Fri 4 Apr 2031, 18:00 (UTC+01:00, Europe/Lisbon)"},
    )
)
HOST_WRITES = announce(
    Kind(
        name="host-writes",
        title="The host of a contest writes to all who take part",
        subject="{contest}: {headline}",
        templates=f"{PAGES}/host_writes",
        why="you take part in this contest",
        is_essential=False,
        hides_address=True,
        sample=SAMPLE
        | {
            "headline": "The second guitar is in the pack again",
            "words": "It was missing since Monday.\n\nFetch the pack anew; nothing else has changed.",
        },
    )
)


def tell_entrants(decision: Decision) -> None:
    """Have everybody who has an entry told of a line of the log, by a job: there may be thousands."""
    requesting.request(TELL_ENTRANTS, decision.pk)


def write_to_entrants(claim: Claim) -> None:
    """The job: one letter to each who has an entry as it begins. Done again, it writes to nobody twice."""
    decision = Decision.objects.select_related("contest").get(pk=int(claim.subject))
    states = [*STANDING_ENTRY, EntryState.CHECKING]
    entries = decision.contest.entries.filter(state__in=states).select_related("member", "contest")
    for portion in in_portions(entries):
        with transaction.atomic():
            for entry in portion:
                _tell_entrant(entry, decision)


def _tell_entrant(entry: Entry, decision: Decision) -> None:
    if decision.action == CHANGED:
        words: dict[str, object] = {"reason": decision.reason, "things": list(decision.details)}
        to_entrant(CONTEST_CHANGED, entry, words, now=decision.decided_at, key=str(decision.pk))
    else:
        words = {"result": absolute(reverse("contests:result", args=[decision.contest.slug]))}
        to_entrant(RESULT_PUBLISHED, entry, words, now=decision.decided_at)


def deadline_near(reminder: Reminder, contest: Contest, *, moment_name: str, now: datetime) -> None:
    """To who asked for it, when entries close. Of no use from then on, and not sent any more."""
    context = {
        "name": reminder.member.name,
        "contest": contest.title,
        "closes": moment(contest.closes_at, contest.zone),
        "link": absolute(reverse("contests:contest", args=[contest.slug])),
    }
    to_member(
        DEADLINE_NEAR,
        reminder.member,
        context,
        now=now,
        key=f"{reminder.pk} {moment_name} {contest.closes_at.timestamp():.0f}",
        useful_until=contest.closes_at,
    )


def host_writes(message: Message, member: Member) -> Letter | None:
    """A host's message to one of many; each gets a letter of their own, so that nobody sees the others."""
    words = message_words(message, member.name)
    return to_member(HOST_WRITES, member, words, now=message.written_at, key=f"{message.pk} {member.pk}")


def message_words(message: Message, name: str) -> dict[str, object]:
    """What a host's message says to somebody of that name."""
    return {
        "name": name,
        "contest": message.contest.title,
        "headline": message.subject,
        "words": message.text,
        "link": absolute(reverse("contests:contest", args=[message.contest.slug])),
    }
