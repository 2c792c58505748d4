"""What members change about their own accounts: pass phrase, address, name."""

from __future__ import annotations

from datetime import datetime

from django.db import IntegrityError, transaction

from academy.members import letters, links
from academy.members.joining import may_write_to
from academy.members.models import MailedFor, MailedLink, Member


@transaction.atomic
def ask_for_pass_phrase(*, address: str, now: datetime) -> None:
    """Write to the address: the link that sets a new pass phrase, or that no account has the address.

    The page that asks must answer the same in both cases, and when nothing more is written within the hour.
    """
    if not may_write_to(address, now):
        return
    member = Member.objects.filter(email=address, is_active=True).first()
    if member is None:
        letters.no_account(address, now=now)
        return
    link, whole = links.make(MailedFor.PASS_PHRASE, address=address, now=now, member=member)
    letters.new_pass_phrase(link, whole, member, now=now)


@transaction.atomic
def set_pass_phrase_by_link(link: MailedLink, pass_phrase: str, *, now: datetime) -> Member:
    """Set the pass phrase of the member whose link it is. Every session and every other such link ends.

    Raises LinkSpent.
    """
    links.use(link, now=now)
    member = link.member
    assert member is not None, "links for a pass phrase belong to a member"
    is_first = not member.has_usable_password()
    _set_pass_phrase(member, pass_phrase, now)
    if not is_first:
        letters.pass_phrase_changed(member, now=now)
    return member


@transaction.atomic
def change_pass_phrase(member: Member, pass_phrase: str, *, now: datetime) -> None:
    """Set another pass phrase, and tell the member. Whoever calls has asked for the old one."""
    _set_pass_phrase(member, pass_phrase, now)
    letters.pass_phrase_changed(member, now=now)


def _set_pass_phrase(member: Member, pass_phrase: str, now: datetime) -> None:
    member.set_password(pass_phrase)
    member.save(update_fields=["password"])
    links.cancel(member, MailedFor.PASS_PHRASE, now=now)


@transaction.atomic
def ask_for_address(member: Member, address: str, *, now: datetime) -> None:
    """Write to the new address, which must be confirmed there. Until then the old one holds.

    When an account has it already, its owner is told instead; the page must answer the same in both cases.
    """
    if not may_write_to(address, now):
        return
    holder = Member.objects.filter(email=address).exclude(pk=member.pk).first()
    if holder is not None:
        letters.has_account(holder, now=now)
        return
    links.cancel(member, MailedFor.ADDRESS, now=now)
    link, whole = links.make(MailedFor.ADDRESS, address=address, now=now, member=member)
    letters.new_address(link, whole, member, now=now)


@transaction.atomic
def change_address(link: MailedLink, *, now: datetime) -> Member:
    """Take the confirmed address over, and tell the old one. Raises LinkSpent."""
    links.use(link, now=now)
    member = link.member
    assert member is not None, "links for a new address belong to a member"
    old_address, member.email = member.email, link.address
    try:
        with transaction.atomic():
            member.save(update_fields=["email"])
    except IntegrityError as exc:
        raise links.LinkSpent("Another account has this address by now; yours is as it was.") from exc
    # What lies in the old post box must not open the account any more.
    links.cancel(member, MailedFor.PASS_PHRASE, now=now)
    letters.address_changed(link, member, old_address, now=now)
    return member


def change_name(member: Member, name: str) -> None:
    """Be called otherwise from now on."""
    member.name = name
    member.save(update_fields=["name"])
