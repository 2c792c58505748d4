"""The letters of the contests, one function each. Called in the transaction of what they tell.

Until a result is published no letter names a place or a prize's winner, and none to a judge names an entrant.
No letter holds a postal address, a code or a link that is itself a prize: letters are read by others.
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
from contests.models import (
    Award,
    Contest,
    Decision,
    Entry,
    Handing,
    Judge,
    Message,
    Reminder,
    Round,
    Ruling,
    Turn,
)
from contests.states import ANSWERABLE, STANDING_ENTRY, AwardState, EntryState

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
        sample=SAMPLE
        | {
            "kind": "repair",
            "reason": "It holds a track that is not among the stems.",
            "found": ["Sound that follows none of the stems. Listen at 1:02 to 1:10."],
            "until": datetime(2031, 3, 20, 17, 0, tzinfo=UTC),
            "zone": "UTC",
            "may_answer": True,
        },
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
PRIZE_SAMPLE = SAMPLE | {
    "prize": "A loom of studio cables",
    "link": "https://school.example/contests/prizes/7KQM-2WXA-D9FT/",
    "until": datetime(2031, 5, 4, 17, 0, tzinfo=UTC),
    "zone": "UTC",
}
PRIZE_TOLD = announce(
    Kind(
        name="prize-told",
        title="A prize is yours",
        subject="A prize of {contest} is yours",
        templates=f"{PAGES}/prize_told",
        why="the host of a contest gave you a prize",
        is_essential=True,
        sample=PRIZE_SAMPLE | {"is_shipped": True, "is_confirmed": False, "again": False},
    )
)
PRIZE_CHOOSE = announce(
    Kind(
        name="prize-choose",
        title="It is your turn to choose a prize",
        subject="{contest}: choose your prize",
        templates=f"{PAGES}/prize_choose",
        why="your entry in a contest may choose a prize",
        is_essential=True,
        sample=PRIZE_SAMPLE,
    )
)
PRIZE_SENT = announce(
    Kind(
        name="prize-sent",
        title="Your prize is on its way",
        subject="Your prize of {contest} is on its way",
        templates=f"{PAGES}/prize_sent",
        why="a prize that you confirmed was sent",
        is_essential=True,
        sample=PRIZE_SAMPLE | {"is_shipped": True},
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


def entry_decided(ruling: Ruling) -> None:
    """The host's decision about one entry, with its reason and what was noticed."""
    words = {
        "kind": ruling.kind,
        "reason": ruling.reason,
        "found": ruling.found,
        "until": ruling.repair_until,
        "zone": ruling.entry.contest.zone,
        "may_answer": ruling.kind in ANSWERABLE,
    }
    _to_entrant(ENTRY_DECIDED, ruling.entry, words, now=ruling.decided_at, key=str(ruling.line_id))


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


def prize_told(award: Award, *, now: datetime, again: bool = False) -> None:
    """To the winner, that a prize waits for an answer. `again` writes it once more, once a day at most."""
    words = {
        "is_shipped": award.prize.handing == Handing.SHIPPED,
        "is_confirmed": award.state == AwardState.CONFIRMED,
        "until": award.confirm_by,
        "again": again,
    }
    key = f"{award.pk} {now.date()}" if again else f"{award.pk}"
    _to_winner(PRIZE_TOLD, award.entry, words | {"prize": str(award.prize)}, now=now, key=key)


def prize_choose(turn: Turn, *, now: datetime) -> None:
    """To the entrant whose turn it is, and until when."""
    _to_winner(PRIZE_CHOOSE, turn.entry, {"until": turn.choose_by}, now=now, key="")


def prize_sent(award: Award, *, now: datetime) -> None:
    """To the winner, that it is on its way or waits on the page."""
    words = {"prize": str(award.prize), "is_shipped": award.prize.handing == Handing.SHIPPED}
    _to_winner(PRIZE_SENT, award.entry, words, now=now, key=f"{award.pk}")


def _to_winner(kind: Kind, entry: Entry, words: Mapping[str, object], *, now: datetime, key: str) -> None:
    page = {
        "zone": entry.contest.zone,
        "link": absolute(reverse("contests:own_prizes", args=[entry.receipt])),
    }
    _to_entrant(kind, entry, page | dict(words), now=now, key=key)


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
