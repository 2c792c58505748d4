"""The letters of this room, one function each. Called in the transaction of what they tell."""

from __future__ import annotations

import secrets
from collections.abc import Mapping
from datetime import UTC, datetime

from django.urls import reverse

from academy.letters.addresses import absolute
from academy.letters.kinds import Kind, announce
from academy.letters.writing import write
from academy.members.models import Grant, MailedLink, Member

PAGES = "academy/members/letters"
SAMPLE_LINK = "https://school.example/members/links/a-long-secret/"
SAMPLE_NAME = "Tamsin Wetherby"
SAMPLE_UNTIL = datetime(2031, 3, 15, 12, 0, tzinfo=UTC)
SAMPLE_OPENING = {"name": SAMPLE_NAME, "link": SAMPLE_LINK, "until": SAMPLE_UNTIL}


def _announced(
    name: str, *, title: str, subject: str, why: str, sample: Mapping[str, object], is_essential: bool = True
) -> Kind:
    """A kind of this room, whose templates are called as it is."""
    templates = f"{PAGES}/{name.replace('-', '_')}"
    return announce(Kind(name, title, subject, templates, why, is_essential, sample))


JOINING = _announced(
    "joining",
    title="Confirm your address",
    subject="Confirm your address at {site_name}",
    why="somebody gave this address to join",
    sample=SAMPLE_OPENING,
)
HAS_ACCOUNT = _announced(
    "has-account",
    title="You have an account already",
    subject="You have an account at {site_name}",
    why="somebody gave this address to join, or as the new one of another account",
    sample={"sign_in": SAMPLE_LINK, "forgotten": SAMPLE_LINK},
)
NEW_PASS_PHRASE = _announced(
    "new-pass-phrase",
    title="Choose a new pass phrase",
    subject="A new pass phrase for {site_name}",
    why="somebody asked for a new pass phrase for this address",
    sample=SAMPLE_OPENING,
)
NO_ACCOUNT = _announced(
    "no-account",
    title="No account has this address",
    subject="No account at {site_name} has this address",
    why="somebody asked for a new pass phrase for this address",
    sample={"join": SAMPLE_LINK},
)
INVITED = _announced(
    "invited",
    title="An account was made for you",
    subject="Your account at {site_name}",
    why="an account was made for this address",
    sample={"name": SAMPLE_NAME, "link": SAMPLE_LINK, "until": SAMPLE_UNTIL, "forgotten": SAMPLE_LINK},
)
PASS_PHRASE_CHANGED = _announced(
    "pass-phrase-changed",
    title="Your pass phrase was changed",
    subject="Your pass phrase at {site_name} was changed",
    why="the pass phrase of your account was changed",
    sample={"name": SAMPLE_NAME, "at": SAMPLE_UNTIL, "forgotten": SAMPLE_LINK},
)
NEW_ADDRESS = _announced(
    "new-address",
    title="Confirm your new address",
    subject="Confirm your new address at {site_name}",
    why="a member gave this address as the new one",
    sample=SAMPLE_OPENING,
)
ADDRESS_CHANGED = _announced(
    "address-changed",
    title="Your address was changed",
    subject="Your address at {site_name} was changed",
    why="your account had this address until now",
    sample={"name": SAMPLE_NAME, "at": SAMPLE_UNTIL, "new_address": "t•••@example.org"},
)
MEMBERSHIP_GIVEN = _announced(
    "membership-given",
    title="A membership begins",
    subject="{tier} at {site_name}",
    why="a membership of yours begins or is renewed",
    is_essential=False,
    sample={
        "name": SAMPLE_NAME,
        "tier": "Mixer",
        "from": SAMPLE_UNTIL,
        "until": None,
        "tiers": SAMPLE_LINK,
    },
)
MEMBERSHIP_ENDED = _announced(
    "membership-ended",
    title="A membership ends early",
    subject="{tier} at {site_name} has ended",
    why="a membership of yours ends before its time",
    is_essential=False,
    sample={"name": SAMPLE_NAME, "tier": "Mixer", "reason": "The payment was returned."},
)
MEMBERSHIP_ENDS_SOON = _announced(
    "membership-ends-soon",
    title="A membership ends soon",
    subject="{tier} at {site_name} ends soon",
    why="a membership of yours ends within the week",
    is_essential=False,
    sample={"name": SAMPLE_NAME, "tier": "Mixer", "until": SAMPLE_UNTIL, "tiers": SAMPLE_LINK},
)
LEFT = _announced(
    "left",
    title="Your account is gone",
    subject="Your account at {site_name} is gone",
    why="your account had this address",
    sample={"name": SAMPLE_NAME, "kept": ["What you wrote under others' work stays, without your name."]},
)


def joining(link: MailedLink, address: str, *, now: datetime) -> None:
    """To who wants to join: the link that confirms the address. `address` is the link's."""
    _with_link(JOINING, link, address, name=link.name, now=now)


def has_account(member: Member, *, now: datetime) -> None:
    """To a member whose address somebody gave to join, or as their own new one."""
    context = {"sign_in": absolute(reverse("members:sign_in")), "forgotten": _forgotten()}
    write(HAS_ACCOUNT, key=_fresh_key(), address=member.email, person=member, context=context, now=now)


def new_pass_phrase(link: MailedLink, address: str, member: Member, *, now: datetime) -> None:
    """To a member who forgot the pass phrase: the link that sets a new one."""
    _with_link(NEW_PASS_PHRASE, link, address, name=member.name, person=member, now=now)


def no_account(address: str, *, now: datetime) -> None:
    """To an address that no account has, when somebody asked for its pass phrase."""
    context = {"join": absolute(reverse("members:join"))}
    write(NO_ACCOUNT, key=_fresh_key(), address=address, context=context, now=now)


def invited(link: MailedLink, address: str, member: Member, *, now: datetime) -> None:
    """To a member whose account somebody else has made: the link that sets the first pass phrase."""
    _with_link(INVITED, link, address, name=member.name, person=member, now=now, forgotten=_forgotten())


def pass_phrase_changed(member: Member, *, now: datetime) -> None:
    """To a member whose pass phrase has just changed."""
    context = {"name": member.name, "at": now, "forgotten": _forgotten()}
    write(
        PASS_PHRASE_CHANGED, key=_fresh_key(), address=member.email, person=member, context=context, now=now
    )


def new_address(link: MailedLink, address: str, member: Member, *, now: datetime) -> None:
    """To a member's new address: the link that confirms it."""
    _with_link(NEW_ADDRESS, link, address, name=member.name, person=member, now=now)


def address_changed(link: MailedLink, member: Member, old_address: str, *, now: datetime) -> None:
    """To the address that a member had until now. The new one is shown in part: the post may be another's."""
    box, _, domain = link.address.partition("@")
    context = {"name": member.name, "at": now, "new_address": f"{box[0]}•••@{domain}"}
    write(ADDRESS_CHANGED, key=str(link.pk), address=old_address, person=member, context=context, now=now)


def membership_given(grant: Grant, *, now: datetime) -> None:
    """To a member who has just got a tier."""
    context = {
        "name": grant.member.name,
        "tier": grant.tier.name,
        "from": grant.starts_at if grant.starts_at > now else None,
        "until": grant.ends_at,
        "tiers": absolute(reverse("members:tiers")),
    }
    _to_holder(MEMBERSHIP_GIVEN, grant, context, now)


def membership_ended(grant: Grant, *, now: datetime) -> None:
    """To a member whose tier ended before its time."""
    context = {"name": grant.member.name, "tier": grant.tier.name, "reason": grant.ended_reason}
    _to_holder(MEMBERSHIP_ENDED, grant, context, now)


def membership_ends_soon(grant: Grant, *, now: datetime) -> None:
    """To a member whose tier ends within the week."""
    context = {
        "name": grant.member.name,
        "tier": grant.tier.name,
        "until": grant.ends_at,
        "tiers": absolute(reverse("members:tiers")),
    }
    _to_holder(MEMBERSHIP_ENDS_SOON, grant, context, now)


def left(address: str, name: str, kept: list[str], *, now: datetime) -> None:
    """To the address of an account that has just been deleted."""
    write(LEFT, key=_fresh_key(), address=address, context={"name": name, "kept": kept}, now=now)


def _with_link(
    kind: Kind,
    link: MailedLink,
    whole: str,
    *,
    name: str,
    now: datetime,
    person: Member | None = None,
    **more: object,
) -> None:
    """A letter with a link that opens something; `whole` is the link's address."""
    context = {"name": name, "link": whole, "until": link.expires_at, **more}
    write(kind, key=str(link.pk), address=link.address, person=person, context=context, now=now)


def _to_holder(kind: Kind, grant: Grant, context: Mapping[str, object], now: datetime) -> None:
    member = grant.member
    write(kind, key=str(grant.pk), address=member.email, person=member, context=context, now=now)


def _forgotten() -> str:
    return absolute(reverse("members:forgotten"))


def _fresh_key() -> str:
    """For a letter that may come as often as somebody asks."""
    return secrets.token_hex(16)
