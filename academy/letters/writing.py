"""Write a letter: its words now, its sending by a job after the commit."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from django.conf import settings
from django.contrib.auth.base_user import AbstractBaseUser
from django.template.loader import render_to_string

from academy.letters import wishes
from academy.letters.addresses import absolute
from academy.letters.kinds import Kind, kind_called
from academy.letters.models import Letter
from analysis.jobs import requesting

SEND_LETTER = "send_letter"
"""The kind of job that sends what can be switched off: to thousands at once, at times."""
SEND_ESSENTIAL = "send_essential"
"""The kind that sends what cannot: a link that somebody waits for does not stand behind thousands of news."""
LONGEST_SUBJECT = 200


@dataclass(frozen=True)
class Words:
    """What a letter says: one line, plain text, and the same as HTML."""

    subject: str
    text: str
    html: str


def write(
    kind: Kind,
    *,
    key: str,
    address: str,
    context: Mapping[str, object],
    now: datetime,
    person: AbstractBaseUser | None = None,
    useful_until: datetime | None = None,
) -> Letter | None:
    """Write one letter in the caller's transaction; a job sends it once that is committed.

    A letter that still waits at `useful_until` is not sent any more: nobody needs a reminder of what is over.
    `key` makes it this letter and no other of its kind: a second call with the same one changes nothing. None
    when the person has switched the kind off. Raises ValueError for a letter that may be switched off, but
    has nobody who could do so.
    """
    if person is None and not kind.is_essential:
        raise ValueError(f"{kind.name} can be switched off, so it goes to persons only")
    if person is not None and wishes.is_unwanted(person, kind):
        return None
    words = words_of(kind, context, off_address=_off_address(kind, person))
    letter, is_new = Letter.objects.get_or_create(
        kind=kind.name,
        key=key,
        defaults={
            "person": person,
            "address": address,
            "subject": words.subject,
            "text": words.text,
            "html": words.html,
            "written_at": now,
            "next_try_at": now,
            "useful_until": useful_until,
        },
    )
    if is_new:
        have_sent(letter.pk, letter.kind)
    return letter


def have_sent(letter_id: int, kind_name: str) -> None:
    """Ask for a letter of that kind to be sent. Changes nothing while its job waits or runs."""
    kind = kind_called(kind_name)
    job = SEND_ESSENTIAL if kind is not None and kind.is_essential else SEND_LETTER
    requesting.request(job, letter_id)


def words_of(kind: Kind, context: Mapping[str, object], *, off_address: str = "") -> Words:
    """A letter's subject and both of its bodies. Without `off_address` it offers no switching off."""
    frame = {"site_name": settings.SITE_NAME, "site_url": absolute("/"), "why": kind.why}
    said = {**context, **frame, "off_address": off_address}
    # One line: a name with a line break in it must not become a header of its own.
    subject = " ".join(kind.subject.format_map(said).split())[:LONGEST_SUBJECT]
    said["subject"] = subject
    return Words(
        subject=subject,
        text=render_to_string(f"{kind.templates}.txt", said),
        html=render_to_string(f"{kind.templates}.html", said),
    )


def _off_address(kind: Kind, person: AbstractBaseUser | None) -> str:
    return "" if kind.is_essential or person is None else wishes.off_address(person, kind)
