"""The letters of the contests, one function each. Called in the transaction of what they tell.

Until a result is published no letter names a place, and none to a judge names an entrant.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from datetime import UTC, datetime
from itertools import islice
from typing import TypeVar

from django.db import transaction
from django.urls import reverse

from academy.letters.addresses import absolute
from academy.letters.kinds import Kind, announce
from academy.letters.models import Letter
from academy.letters.writing import write
from academy.members.models import Member
from academy.templatetags.audio_text import moment
from analysis.jobs import requesting
from analysis.jobs.claiming import Claim
from contests.decisions import CHANGED
from contests.entering.receipts import signed_receipt
from contests.models import Contest, Decision, Entry, Judge, Message, Reminder, Round
from contests.states import STANDING_ENTRY, EntryState

PAGES = "contests/letters"
AT_ONCE = 20
"""Letters that are written in one transaction: on SQLite nobody else writes meanwhile. No source."""
TELL_ENTRANTS = "tell_entrants"
"""The kind of job that writes to everybody about one line of the decision log, its subject."""

SAMPLE = {
    "name": "Tamsin Wetherby",
    "contest": "Low Tide",
    "receipt": "7KQM-2WXA-D9FT",
    "link": "https://school.example/contests/entries/7KQM-2WXA-D9FT/",
}

ENTRY_RECEIVED = announce(
    Kind(
        name="entry-received",
        title="Your upload has arrived",
        subject="Your upload into {contest}: receipt {receipt}",
        templates=f"{PAGES}/entry_received",
        why="you uploaded a mix into a contest",
        is_essential=True,
        hides_address=True,
        sample=SAMPLE | {"text": "RECEIPT\n\nReference: 7KQM-2WXA-D9FT\n"},
    )
)
ENTRY_CHECKED = announce(
    Kind(
        name="entry-checked",
        title="What the meter found in your upload",
        subject="Your upload {receipt} is {state}",
        templates=f"{PAGES}/entry_checked",
        why="a mix of yours was checked for a contest",
        is_essential=False,
        hides_address=True,
        sample=SAMPLE
        | {
            "state": "needs attention",
            "findings": ["Your file is 44.1 kHz; this contest asks for 48 kHz. Export again at 48 kHz."],
        },
    )
)
ENTRY_DECIDED = announce(
    Kind(
        name="entry-decided",
        title="The host decided about your entry",
        subject="A decision about your entry {receipt}",
        templates=f"{PAGES}/entry_decided",
        why="the host of a contest decided about your entry",
        is_essential=True,
        hides_address=True,
        sample=SAMPLE | {"is_out": True, "reason": "It holds a track that is not among the stems."},
    )
)
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
JUDGING_OPENED = announce(
    Kind(
        name="judging-opened",
        title="Mixes wait for your ears",
        subject="{contest}: {mixes} mixes to hear",
        templates=f"{PAGES}/judging_opened",
        why="you sit on the panel of a contest",
        is_essential=True,
        sample=SAMPLE | {"mixes": 12, "until": datetime(2031, 4, 20, 17, 0, tzinfo=UTC), "zone": "UTC"},
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
JUDGING_ENDS_SOON = announce(
    Kind(
        name="judging-ends-soon",
        title="Sheets of yours are missing, and the judging ends soon",
        subject="{contest}: {missing} of your sheets missing",
        templates=f"{PAGES}/judging_ends_soon",
        why="you sit on the panel of a contest",
        is_essential=False,
        sample=SAMPLE | {"missing": 3, "until": datetime(2031, 4, 20, 17, 0, tzinfo=UTC), "zone": "UTC"},
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

Thing = TypeVar("Thing")


def in_portions(things: Iterable[Thing]) -> Iterator[list[Thing]]:
    """So many at a time as are to be written in one transaction; nothing for nothing."""
    left = iter(things)
    while portion := list(islice(left, AT_ONCE)):
        yield portion


def entry_received(entry: Entry) -> None:
    """The signed receipt, to the entrant."""
    _to_entrant(ENTRY_RECEIVED, entry, {"text": signed_receipt(entry)}, now=entry.received_at)


def entry_checked(entry: Entry, *, now: datetime) -> None:
    """What became of an upload, with every finding."""
    words = {
        "state": EntryState(entry.state).label,
        "findings": [finding["message"] for finding in entry.findings],
    }
    _to_entrant(ENTRY_CHECKED, entry, words, now=now)


def entry_decided(entry: Entry, decision: Decision) -> None:
    """The host's decision about one entry, with its reason."""
    words = {"is_out": entry.state == EntryState.DISQUALIFIED, "reason": decision.reason}
    _to_entrant(ENTRY_DECIDED, entry, words, now=decision.decided_at, key=str(decision.pk))


def judging_opened(round_: Round, judges: Iterable[Judge], *, now: datetime) -> None:
    """To each judge who has something to hear, how much and by when."""
    contest = round_.contest
    for judge in judges:
        mixes = round_.assignments.filter(judge=judge).count()
        if not mixes:
            continue
        context = {
            "name": judge.member.name,
            "contest": contest.title,
            "mixes": mixes,
            "until": contest.judging_until,
            "zone": contest.zone,
            "link": absolute(reverse("contests:desk", args=[contest.slug, round_.number])),
        }
        _to_member(JUDGING_OPENED, judge.member, context, now=now, key=f"{round_.pk} {judge.pk}")


def tell_entrants(decision: Decision) -> None:
    """Have everybody who has an entry told of a line of the log, by a job: there may be thousands."""
    requesting.request(TELL_ENTRANTS, decision.pk)


def write_to_entrants(claim: Claim) -> None:
    """The job: one letter to each entrant. Done again, it writes to nobody twice."""
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
        _to_entrant(CONTEST_CHANGED, entry, words, now=decision.decided_at, key=str(decision.pk))
    else:
        words = {"result": absolute(reverse("contests:result", args=[decision.contest.slug]))}
        _to_entrant(RESULT_PUBLISHED, entry, words, now=decision.decided_at)


def deadline_near(reminder: Reminder, contest: Contest, *, moment_name: str, now: datetime) -> None:
    """To who asked for it, when entries close. Of no use from then on, and not sent any more."""
    context = {
        "name": reminder.member.name,
        "contest": contest.title,
        "closes": moment(contest.closes_at, contest.zone),
        "link": absolute(reverse("contests:contest", args=[contest.slug])),
    }
    _to_member(
        DEADLINE_NEAR,
        reminder.member,
        context,
        now=now,
        key=f"{reminder.pk} {moment_name} {contest.closes_at.timestamp():.0f}",
        useful_until=contest.closes_at,
    )


def judging_ends_soon(judge: Judge, round_: Round, *, missing: int, now: datetime) -> None:
    """To one judge, how many sheets are missing and until when. Of no use once the judging has ended."""
    contest = round_.contest
    context = {
        "name": judge.member.name,
        "contest": contest.title,
        "missing": missing,
        "until": contest.judging_until,
        "zone": contest.zone,
        "link": absolute(reverse("contests:desk", args=[contest.slug, round_.number])),
    }
    _to_member(
        JUDGING_ENDS_SOON,
        judge.member,
        context,
        now=now,
        key=f"{round_.pk} {judge.pk} {contest.judging_until.timestamp():.0f}",
        useful_until=contest.judging_until,
    )


def host_writes(message: Message, member: Member) -> Letter | None:
    """A host's message to one of many; each gets a letter of their own, so that nobody sees the others."""
    words = message_words(message, member.name)
    return _to_member(HOST_WRITES, member, words, now=message.written_at, key=f"{message.pk} {member.pk}")


def message_words(message: Message, name: str) -> dict[str, object]:
    """What a host's message says to somebody of that name."""
    return {
        "name": name,
        "contest": message.contest.title,
        "headline": message.subject,
        "words": message.text,
        "link": absolute(reverse("contests:contest", args=[message.contest.slug])),
    }


def _to_entrant(
    kind: Kind, entry: Entry, words: Mapping[str, object], *, now: datetime, key: str = ""
) -> None:
    contest: Contest = entry.contest
    context = {
        "name": entry.member.name,
        "contest": contest.title,
        "receipt": entry.receipt,
        "link": absolute(reverse("contests:entry", args=[entry.receipt])),
    }
    _to_member(kind, entry.member, context | dict(words), now=now, key=f"{entry.pk} {key}".strip())


def _to_member(
    kind: Kind,
    member: Member,
    context: Mapping[str, object],
    *,
    now: datetime,
    key: str,
    useful_until: datetime | None = None,
) -> Letter | None:
    return write(
        kind,
        key=key,
        address=member.email,
        context=context,
        now=now,
        person=member,
        useful_until=useful_until,
    )
