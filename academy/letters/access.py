"""Who may look at the letters of the site. Not found and not allowed look the same: 404."""

from __future__ import annotations

from django.contrib.auth.base_user import AbstractBaseUser
from django.contrib.auth.models import AnonymousUser
from django.http import Http404


def require_host(person: AbstractBaseUser | AnonymousUser) -> None:
    """Raises Http404 for anybody but a host."""
    if not getattr(person, "is_host", False):
        raise Http404


def signed_in(person: AbstractBaseUser | AnonymousUser) -> AbstractBaseUser:
    """The person as one with an account. Raises Http404, should a visitor slip by."""
    if not isinstance(person, AbstractBaseUser):
        raise Http404
    return person
