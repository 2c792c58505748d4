"""Letters to the judges. None names an entrant."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import datetime

from django.urls import reverse

from academy.letters.addresses import absolute
from academy.letters.kinds import Kind, announce
from contests.letters.addressing import PAGES, SAMPLE, SAMPLE_UNTIL, to_member
from contests.models import Decision, Judge, Round

JUDGING_OPENED = announce(
    Kind(
        name="judging-opened",
        title="Mixes wait for your ears",
        subject="{contest}: {mixes} mixes to hear",
        templates=f"{PAGES}/judging_opened",
        why="you sit on the panel of a contest",
        is_essential=True,
        sample=SAMPLE | SAMPLE_UNTIL | {"mixes": 12},
    )
)
FURTHER_HEARINGS = announce(
    Kind(
        name="further-hearings",
        title="More mixes wait for your ears in a round that is open already",
        subject="{contest}: {further} to hear",
        templates=f"{PAGES}/further_hearings",
        why="you sit on the panel of a contest",
        is_essential=True,
        sample=SAMPLE | SAMPLE_UNTIL | {"further": "2 further mixes", "is_over": False},
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
        sample=SAMPLE | SAMPLE_UNTIL | {"missing": 3},
    )
)


def judging_opened(round_: Round, judges: Iterable[Judge], *, now: datetime) -> None:
    """To each judge who has something to hear, how much and by when."""
    for judge in judges:
        mixes = round_.assignments.filter(judge=judge).count()
        if not mixes:
            continue
        context = _facts(judge, round_) | {"mixes": mixes}
        to_member(JUDGING_OPENED, judge.member, context, now=now, key=f"{round_.pk} {judge.pk}")


def further_hearings(
    round_: Round, numbers: Mapping[Judge, int], *, decision: Decision, now: datetime
) -> None:
    """To each judge whose list of an open round has grown, by how many mixes and by when they are due.

    `numbers` holds how many each got by the host's act that `decision` records: one letter an act and judge.
    Why they are heard is not said, for whoever knows that an entry is at the line hears it with other ears.
    """
    for judge, number in numbers.items():
        context = _facts(judge, round_) | {
            "further": "1 further mix" if number == 1 else f"{number} further mixes",
            "is_over": now >= round_.contest.judging_until,
        }
        key = f"{round_.pk} {judge.pk} {decision.number}"
        to_member(FURTHER_HEARINGS, judge.member, context, now=now, key=key)


def judging_ends_soon(judge: Judge, round_: Round, *, missing: int, now: datetime) -> None:
    """To one judge, how many sheets are missing and until when. Of no use once the judging has ended."""
    until = round_.contest.judging_until
    to_member(
        JUDGING_ENDS_SOON,
        judge.member,
        _facts(judge, round_) | {"missing": missing},
        now=now,
        key=f"{round_.pk} {judge.pk} {until.timestamp():.0f}",
        useful_until=until,
    )


def _facts(judge: Judge, round_: Round) -> dict[str, object]:
    """What every letter to a judge says: whose round it is, until when, and where the desk is."""
    contest = round_.contest
    return {
        "name": judge.member.name,
        "contest": contest.title,
        "until": contest.judging_until,
        "zone": contest.zone,
        "link": absolute(reverse("contests:desk", args=[contest.slug, round_.number])),
    }
