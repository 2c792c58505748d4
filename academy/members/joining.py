"""Join: an address is confirmed first, and only its reader chooses the pass phrase.

Until then there is no account. Nobody can take another's address, or wait behind an account that its owner
confirms for them.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from django.db import IntegrityError, transaction

from academy.members import codes, doors, letters, links
from academy.members.codes import CodeRefused
from academy.members.models import MailedFor, MailedLink, Member
from analysis.jobs import requesting

INVITE_MEMBERS = "invite_members"
ALL_DUE = "due"  # the subject of the one such job


@dataclass(frozen=True)
class Joined:
    """Who has joined, and what became of the code that they brought: empty when all went well."""

    member: Member
    trouble: str = ""


@transaction.atomic
def ask_to_join(*, address: str, name: str, code: str, now: datetime) -> None:
    """Write to the address: the link to go on, or that it has an account already.

    The page that asks must answer the same in both cases. After a few letters within the hour nothing more is
    written, and nothing is said.
    """
    if not may_write_to(address, now):
        return
    member = Member.objects.filter(email=address).first()
    if member is not None:
        letters.has_account(member, now=now)
        return
    link, whole = links.make(MailedFor.JOINING, address=address, now=now, name=name, code=code)
    letters.joining(link, whole, now=now)


@transaction.atomic
def join(link: MailedLink, pass_phrase: str, *, now: datetime) -> Joined:
    """Make the account of who opened the link, and redeem the code that they brought.

    A code that is used up by now costs nobody the account. Raises LinkSpent when the link is used, or the
    address has an account by now.
    """
    links.use(link, now=now)
    try:
        with transaction.atomic():
            member = Member.objects.create_user(link.address, link.name, pass_phrase)
    except IntegrityError as exc:
        raise links.LinkSpent("An account has this address by now. Sign in with it.") from exc
    if not link.code:
        return Joined(member)
    try:
        codes.redeem(link.code, member, now=now)
    except CodeRefused as exc:
        return Joined(member, str(exc))
    return Joined(member)


def invite(member: Member, *, now: datetime) -> None:
    """Write to a member whose account somebody else has made, with the link to a first pass phrase."""
    link, whole = links.make(
        MailedFor.PASS_PHRASE,
        address=member.email,
        now=now,
        member=member,
        lives=links.INVITATION_LIVES,
    )
    letters.invited(link, whole, member, now=now)


def request_invitations() -> None:
    """Have a job invite every member whose invitation is due. Asking twice changes nothing."""
    requesting.request(INVITE_MEMBERS, ALL_DUE)


def invite_due(*, now: datetime) -> int:
    """Invite every member whose invitation is due, each in a transaction of its own. Returns how many."""
    invited = 0
    for pk in Member.objects.filter(invitation_due=True).values_list("pk", flat=True):
        with transaction.atomic():
            if Member.objects.filter(pk=pk, invitation_due=True).update(invitation_due=False):
                invite(Member.objects.get(pk=pk), now=now)
                invited += 1
    return invited


def may_write_to(address: str, now: datetime) -> bool:
    """Whether one more letter that anybody can cause may go to the address within the hour; counts it."""
    try:
        doors.knock(doors.LETTER_TO, address, now=now)
    except doors.TooOften:
        return False
    return True
