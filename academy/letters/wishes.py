"""What a person does not want to get, and the signed link that says so without signing in."""

from __future__ import annotations

from collections.abc import Collection
from datetime import datetime

from django.contrib.auth import get_user_model
from django.contrib.auth.base_user import AbstractBaseUser
from django.core import signing
from django.db import transaction
from django.urls import reverse

from academy.letters.addresses import absolute
from academy.letters.kinds import Kind, every_kind, kind_called
from academy.letters.models import Unwanted

_signer = signing.Signer(salt="academy.letters.off")


def off_address(person: AbstractBaseUser, kind: Kind) -> str:
    """The whole address that switches this kind off for this person, in one step and without signing in."""
    return absolute(reverse("letters:off", args=[_signer.sign_object([person.pk, kind.name])]))


def of_off_token(token: str) -> tuple[AbstractBaseUser, Kind] | None:
    """Whose wish about which kind a link carries; None for a link that is not ours, and for who has left."""
    try:
        pk, name = _signer.unsign_object(token)
    except signing.BadSignature:
        return None
    person = get_user_model().objects.filter(pk=pk, is_active=True).first()
    kind = kind_called(name)
    if person is None or kind is None or kind.is_essential:
        return None
    return person, kind


def is_unwanted(person: AbstractBaseUser, kind: Kind) -> bool:
    """Whether the person has switched the kind off. What is essential cannot be."""
    return not kind.is_essential and Unwanted.objects.filter(person=person, kind=kind.name).exists()


def switch_off(person: AbstractBaseUser, kind: Kind, *, now: datetime) -> None:
    """Send no further letters of this kind. A second time changes nothing."""
    Unwanted.objects.get_or_create(person=person, kind=kind.name, defaults={"since": now})


def unwanted_by(person: AbstractBaseUser) -> set[str]:
    """The names of the kinds that the person has switched off."""
    return set(Unwanted.objects.filter(person=person).values_list("kind", flat=True))


@transaction.atomic
def wish_only(person: AbstractBaseUser, wanted: Collection[str], *, now: datetime) -> None:
    """Of the kinds that can be switched off, send the named ones only."""
    for kind in every_kind():
        if kind.is_essential:
            continue
        if kind.name in wanted:
            Unwanted.objects.filter(person=person, kind=kind.name).delete()
        else:
            switch_off(person, kind, now=now)
