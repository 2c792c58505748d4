"""Find the letters whose next try is due, and forget whom old ones went to."""

from __future__ import annotations

from datetime import datetime, timedelta

from django.contrib.auth.base_user import AbstractBaseUser
from django.db.models import QuerySet

from academy.letters.models import Letter, LetterState, Unwanted
from academy.letters.writing import have_sent

KEPT = timedelta(days=90)
"""How long the site remembers to whom a letter went. Common practice, no source."""


def sweep(now: datetime) -> int:
    """Have every letter sent whose time has come, and forget old addresses. Returns how many were due."""
    due = Letter.objects.filter(state=LetterState.WAITING, next_try_at__lte=now)
    letters = list(due.values_list("pk", "kind"))
    for pk, kind in letters:
        have_sent(pk, kind)
    old = Letter.objects.filter(address__gt="", written_at__lt=now - KEPT)
    old.exclude(state=LetterState.WAITING).update(
        person=None, address="", subject="", text="", html="", trouble=""
    )
    return len(letters)


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
