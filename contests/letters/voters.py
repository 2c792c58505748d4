"""Letters to whoever may vote. None says anything of what is voted on or of how the vote stands."""

from __future__ import annotations

from datetime import datetime

from django.urls import reverse

from academy.letters.addresses import absolute
from academy.letters.kinds import Kind, announce
from academy.letters.models import Letter, LetterState
from academy.members.models import Member
from contests.letters.addressing import PAGES, SAMPLE, SAMPLE_UNTIL, to_member
from contests.models import Vote

PUBLIC_VOTE = announce(
    Kind(
        name="public-vote",
        title="A public vote is open to you, or ends within a day",
        subject="{contest}: {headline}",
        templates=f"{PAGES}/public_vote",
        why="members vote in this contest whose account is older than it",
        is_essential=False,
        sample=SAMPLE
        | SAMPLE_UNTIL
        | {
            "headline": "the public vote is open",
            "is_ending": False,
            "mixes": 6,
            "about_min": 3,
            "link": "https://school.example/contests/low-tide/vote/",
        },
    )
)
"""One kind for both letters, so that one wish is enough for who wants neither."""


def public_vote_ended(vote: Vote, *, now: datetime) -> None:
    """Nothing more is sent about a vote that ended before the hour that its letters name."""
    written = Letter.objects.filter(kind=PUBLIC_VOTE.name, key__startswith=f"{vote.pk} ")
    written.filter(state=LetterState.WAITING).update(useful_until=now)


def public_vote(vote: Vote, member: Member, *, is_ending: bool, now: datetime) -> None:
    """To one who may vote, that the vote is open, or that it ends and no ballot is in. Of no use after it."""
    contest = vote.contest
    context = {
        "name": member.name,
        "contest": contest.title,
        "headline": "the public vote ends soon" if is_ending else "the public vote is open",
        "is_ending": is_ending,
        "mixes": vote.packet_size,
        "about_min": vote.about_min,
        "until": vote.closes_at,
        "zone": contest.zone,
        "link": absolute(reverse("contests:vote", args=[contest.slug])),
    }
    to_member(
        PUBLIC_VOTE,
        member,
        context,
        now=now,
        key=f"{vote.pk} {member.pk} {'ends' if is_ending else 'open'}",
        useful_until=vote.closes_at,
    )
