"""Take in a version of a practice mix, and ask for its report."""

from __future__ import annotations

import secrets
from datetime import datetime
from uuid import UUID

from django.db.models import F

from academy.members.models import Member
from academy.packs.models import StemPack
from academy.practice.models import MixState, Practice, PracticeMix
from analysis.intake import sealing
from analysis.intake.sealing import Received
from analysis.jobs import requesting

MAKE_REPORT = "make_practice_report"
"""The kind of job; its subject is a version's primary key."""

MOST_VERSIONS = 50
"""Of one member on one pack, at a time. Common practice, no source: nobody compares more."""


NOT_OPEN = (
    "This pack is not open to you at present, so no further version can be sent and the reference mix is not "
    "in the booth. Your versions and their reports stay yours, to hear, to read and to delete."
)


class MixRefused(Exception):
    """A practice mix that is not taken, and why, in the member's words."""


def obstacle(pack: StemPack, member: Member) -> str | None:
    """Why the member cannot send a version now; None when nothing is in the way."""
    kept = PracticeMix.objects.filter(practice__pack=pack, practice__member=member)
    if kept.exclude(state=MixState.DELETED).count() >= MOST_VERSIONS:
        return (
            f"You keep {MOST_VERSIONS} versions on this pack, the most there is room for. Delete one first."
        )
    return None


def submit_mix(
    *, pack: StemPack, member: Member, received: Received, remark: str = "", now: datetime
) -> PracticeMix:
    """Keep an upload as the member's next version on the pack, and have it measured and compared.

    Raises MixRefused; then nothing is written and the bytes are let go.
    """
    with sealing.or_let_go(received):
        return _submit(pack, member, received, remark, now)


def _submit(pack: StemPack, member: Member, received: Received, remark: str, now: datetime) -> PracticeMix:
    if (refusal := obstacle(pack, member)) is not None:
        raise MixRefused(refusal)
    practice, _ = Practice.objects.get_or_create(pack=pack, member=member)
    # The counter is moved by one UPDATE, so that two uploads at once get two numbers.
    Practice.objects.filter(pk=practice.pk).update(last_number=F("last_number") + 1)
    practice.refresh_from_db(fields=["last_number"])
    mix = PracticeMix.objects.create(
        practice=practice,
        number=practice.last_number,
        code=secrets.token_hex(16),
        recording=sealing.seal(received, owner=member, now=now),
        remark=remark.strip(),
        received_at=now,
    )
    requesting.request(MAKE_REPORT, mix.pk)
    return mix


def made_of(upload_id: UUID, pack: StemPack, member: Member) -> PracticeMix | None:
    """The version made of an upload already: its form came twice, since the first answer was lost."""
    return PracticeMix.objects.filter(
        recording=upload_id, practice__pack=pack, practice__member=member
    ).first()
