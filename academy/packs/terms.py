"""Terms: shown and accepted before the first download, and recorded with their version."""

from __future__ import annotations

from datetime import datetime

from academy.members.access import Eyes
from academy.members.models import Member
from academy.packs.models import StemPack, TermsAccepted


class TermsChanged(Exception):
    """What the member read is no longer what applies."""


def accept_terms(*, pack: StemPack, member: Member, terms_version: int, now: datetime) -> TermsAccepted:
    """Record that the member agreed to this version. A second time changes nothing.

    Raises TermsChanged when another version applies by now.
    """
    if terms_version != pack.terms_version:
        raise TermsChanged("The terms changed while you read them. Read the new ones below and accept those.")
    accepted, _ = TermsAccepted.objects.get_or_create(
        pack=pack, member=member, terms_version=terms_version, defaults={"accepted_at": now}
    )
    return accepted


def acceptance_of(pack: StemPack, person: Eyes) -> TermsAccepted | None:
    """When the person accepted the terms that apply now; None when not yet, and for a visitor."""
    if not isinstance(person, Member):
        return None
    own = TermsAccepted.objects.filter(member=person, pack=pack, terms_version=pack.terms_version)
    return own.first()
