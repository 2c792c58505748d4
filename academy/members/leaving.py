"""Leave: what is lost, what must stay, what the member may choose; and then the doing, whole or not at all.

Rooms above are asked by name only. Their part is carried out first, then this room's own.
"""

from __future__ import annotations

import secrets
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import datetime

from django.conf import settings
from django.db import models, transaction
from django.utils.module_loading import import_string

from academy.letters import sweeping
from academy.members import letters
from academy.members.models import Member
from analysis.intake.models import Upload

FORMER = "Former member"


class LeavingRefused(Exception):
    """A member who cannot leave now; the sentence says why and what to do."""


@dataclass(frozen=True)
class Choice:
    """Something to decide before leaving: a name for the form, the question, the answers by their value."""

    name: str
    question: str
    answers: Mapping[str, str]


def _nothing(answers: Mapping[str, str]) -> None:
    """Carry nothing out."""


@dataclass(frozen=True)
class Parting:
    """What one room says to a member who wants to leave, and what it then does.

    `carry_out` gets the answers by the choices' names and runs inside the transaction of the whole; it may
    raise LeavingRefused. Rows that must stay may go on pointing at the member: the account is then kept
    without anything personal.
    """

    lost: list[str] = field(default_factory=list)
    kept: list[str] = field(default_factory=list)
    choices: list[Choice] = field(default_factory=list)
    obstacle: str = ""  # why the member cannot leave now; empty when nothing is in the way
    carry_out: Callable[[Mapping[str, str]], None] = _nothing


def partings_of(member: Member, *, now: datetime) -> list[Parting]:
    """What each function named in the setting MEMBER_LEAVING says, in that order, and this room last.

    Such a function takes a Member and a time and returns a Parting.
    """
    rooms: list[Callable[[Member, datetime], Parting]] = [
        import_string(name) for name in settings.MEMBER_LEAVING
    ]
    return [*(room(member, now) for room in rooms), _own_parting(member)]


def leave(member: Member, answers: Mapping[str, str], *, now: datetime) -> None:
    """Delete the account and what is the member's; a last letter tells so.

    Where the record of something needs the account's row, it stays without name, address or pass phrase.
    Raises LeavingRefused, and leaves everything as it was.
    """
    with transaction.atomic():
        # Every host's row, so that of the last two who leave at once one finds that the other has left. Their
        # keys stay free: a host who is deciding something just now goes on, and nobody waits in a circle.
        list(_hosts().select_for_update(no_key=True).order_by("pk"))
        # So does the member's own: a host's act that has a contest and writes to this member goes on, and the
        # rooms wait for it where they come to that contest.
        row = Member.objects.select_for_update(no_key=True).filter(pk=member.pk, is_active=True).first()
        if row is None:
            raise LeavingRefused("This account is gone already.")
        member, address, name = row, row.email, row.name
        partings = partings_of(member, now=now)
        for parting in partings:
            if parting.obstacle:
                raise LeavingRefused(parting.obstacle)
            for choice in parting.choices:
                if answers.get(choice.name) not in choice.answers:
                    raise LeavingRefused(f"Choose first: {choice.question}")
        for parting in partings:
            parting.carry_out(answers)
        _delete_or_empty(member)
        letters.left(address, name, [line for parting in partings for line in parting.kept], now=now)


def _hosts() -> models.QuerySet[Member]:
    return Member.objects.filter(is_host=True, is_active=True)


def _own_parting(member: Member) -> Parting:
    obstacle = ""
    if member.is_host and not _hosts().exclude(pk=member.pk).exists():
        obstacle = (
            "You are the only host. Have the operator make somebody else a host first: a site needs one."
        )
    lost = ["Your account: name, address, pass phrase."]
    if member.grants.exists():
        lost.append(
            "Your memberships, those in force too. Payment is arranged elsewhere: end it there as well."
        )
    return Parting(lost=lost, obstacle=obstacle, carry_out=lambda answers: _forget(member))


def _forget(member: Member) -> None:
    sweeping.forget(member)
    member.payment_events.update(payer="", member=None)
    Upload.objects.filter(owner=member).delete()  # their bytes go by the sweep, as bytes without a row
    for personal in (member.redemptions, member.mailed_links, member.grants):
        personal.all().delete()


def _delete_or_empty(member: Member) -> None:
    """Delete the row, or take everything personal out of it where another row must go on pointing at it."""
    pk = member.pk
    # With its key from here on: nothing comes to point at the row while its like are gathered.
    Member.objects.select_for_update().get(pk=pk)
    try:
        with transaction.atomic():
            member.delete()
    except (models.ProtectedError, models.RestrictedError):
        mark = secrets.token_hex(4)
        member = Member.objects.get(pk=pk)
        member.name = f"{FORMER} {mark}"
        member.email = f"{mark}-{pk}@left.invalid"  # RFC 6761, 6.4: no such address will ever be
        member.is_host = member.is_staff = member.is_superuser = member.is_active = False
        member.last_login = None
        member.set_unusable_password()
        member.save()
        member.groups.clear()
        member.user_permissions.clear()
