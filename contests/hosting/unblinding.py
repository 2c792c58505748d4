"""Look who is who while a contest is blind: one recorded step, each time."""

from __future__ import annotations

from datetime import datetime

from django.db import transaction

from academy.members.models import Member
from contests import decisions
from contests.hosting.refusals import HostingRefused
from contests.models import Contest


@transaction.atomic
def show_names(contest_id: int, *, actor: Member, now: datetime, reason: str) -> None:
    """Record that the host looked who is who. Raises HostingRefused without a reason."""
    if not reason.strip():
        raise HostingRefused("Say why you need the names now: the judging is blind, and it is recorded.")
    contest = Contest.objects.get(pk=contest_id)
    decisions.record(contest, "names shown", actor=actor, now=now, reason=reason)
