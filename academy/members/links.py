"""Links in letters: each opens one thing, once, for a time, for whoever reads that address's post."""

from __future__ import annotations

import hashlib
import secrets
from datetime import datetime, timedelta

from django.urls import reverse

from academy.letters.addresses import absolute
from academy.members.models import MailedFor, MailedLink, Member

# Common practice, no source.
LIVES = {
    MailedFor.JOINING: timedelta(hours=24),
    MailedFor.PASS_PHRASE: timedelta(hours=2),
    MailedFor.ADDRESS: timedelta(hours=24),
}
INVITATION_LIVES = timedelta(days=14)
SECRET_BYTES = 32


class LinkSpent(Exception):
    """A link that opens nothing any more, or never did; the sentence says what to do."""


def make(
    purpose: MailedFor,
    *,
    address: str,
    now: datetime,
    member: Member | None = None,
    name: str = "",
    code: str = "",
    lives: timedelta | None = None,
) -> tuple[MailedLink, str]:
    """Make a link for a letter to `address`: its row, and its whole address, which is kept nowhere else."""
    token = secrets.token_urlsafe(SECRET_BYTES)
    link = MailedLink.objects.create(
        purpose=purpose,
        secret_sha256=_hash(token),
        address=address,
        member=member,
        name=name,
        code=code,
        expires_at=now + (lives or LIVES[purpose]),
    )
    return link, absolute(reverse("members:link", args=[token]))


def find(token: str, *, now: datetime) -> MailedLink:
    """The link behind a token, still good. Raises LinkSpent."""
    link = MailedLink.objects.select_related("member").filter(secret_sha256=_hash(token)).first()
    if link is None or (link.member is not None and not link.member.is_active):
        raise LinkSpent("There is no such link. Look whether the whole of it was copied from the letter.")
    if link.used_at is not None:
        raise LinkSpent("This link was used already; each opens once. Ask for a new one if you need it.")
    if link.expires_at <= now:
        raise LinkSpent("This link is too old. Ask for a new one.")
    return link


def use(link: MailedLink, *, now: datetime) -> None:
    """Use the link up, in the transaction of what it opens. Raises LinkSpent when somebody was faster."""
    fresh = MailedLink.objects.filter(pk=link.pk, used_at=None, expires_at__gt=now)
    if not fresh.update(used_at=now):
        raise LinkSpent("This link was used at this very moment. Ask for a new one if it was not you.")


def cancel(member: Member, purpose: MailedFor, *, now: datetime) -> None:
    """Use up every open link of this purpose that the member has."""
    member.mailed_links.filter(purpose=purpose, used_at=None).update(used_at=now)


def _hash(token: str) -> str:
    return hashlib.sha256(token.encode()).hexdigest()
