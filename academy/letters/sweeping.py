"""Find the letters whose next try is due, and forget whom old ones went to."""

from __future__ import annotations

from datetime import datetime, timedelta

from django.contrib.auth.base_user import AbstractBaseUser
from django.db.models import QuerySet

from academy.letters.models import Letter, LetterState, Unwanted
from academy.letters.writing import SEND_ESSENTIAL, SEND_LETTER, have_sent
from analysis.jobs import waiting

KEPT = timedelta(days=90)
"""How long the site remembers to whom a letter went. Common practice, no source."""


def sweep(now: datetime) -> int:
    """Have every letter sent whose time has come and that no job is about, and forget old addresses.

    Returns how many jobs were asked for.
    """
    due = Letter.objects.filter(state=LetterState.WAITING, next_try_at__lte=now)
    on_their_way = waiting.under_way([SEND_LETTER, SEND_ESSENTIAL])
    left = [(pk, kind) for pk, kind in due.values_list("pk", "kind") if str(pk) not in on_their_way]
    for pk, kind in left:
        have_sent(pk, kind)
    old = Letter.objects.filter(address__gt="", written_at__lt=now - KEPT)
    old.exclude(state=LetterState.WAITING).update(
        person=None, address="", subject="", text="", html="", trouble=""
    )
    return len(left)


def try_again(letter: Letter, *, now: datetime) -> bool:
    """Put a letter that was given up back on its way. False when it was not, or its words are gone."""
    changed = (
        Letter.objects.filter(pk=letter.pk, state=LetterState.GIVEN_UP)
        .exclude(text="")
        .update(state=LetterState.WAITING, tries=0, next_try_at=now, settled_at=None)
    )
    if changed:
        have_sent(letter.pk, letter.kind)
    return bool(changed)


def letters_to(person: AbstractBaseUser) -> QuerySet[Letter]:
    """What was written to a person, as far as it is still known, in order."""
    return Letter.objects.filter(person=person).order_by("written_at", "pk")


def forget(person: AbstractBaseUser) -> None:
    """Take a person out of every letter that is settled, drop those on their way, and the person's wishes."""
    own = letters_to(person)
    own.filter(state=LetterState.WAITING).delete()
    own.update(person=None, address="", subject="", text="", html="", trouble="")
    Unwanted.objects.filter(person=person).delete()
