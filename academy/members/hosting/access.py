"""What a host may open. For everybody else it is not there: 404."""

from __future__ import annotations

import functools
from collections.abc import Callable
from typing import Any

from django.contrib.auth.decorators import login_required
from django.http import Http404, HttpRequest, HttpResponse
from django.views.decorators.cache import never_cache

from academy.members.access import Person, as_member
from academy.members.models import Grant, InvitationCode, Member, Tier

View = Callable[..., HttpResponse]


def require_host(person: Person) -> Member:
    """The person as a host. Raises Http404 for anybody else."""
    member = as_member(person)
    if not member.is_host:
        raise Http404
    return member


def hosts_page(view: View) -> View:
    """For a host who is signed in; other members find nothing there. Kept by no cache."""

    @login_required
    @never_cache
    @functools.wraps(view)
    def guarded(request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
        require_host(request.user)
        return view(request, *args, **kwargs)

    return guarded


def member_numbered(pk: int) -> Member:
    """One member who has not left. Raises Http404 for an unknown one."""
    member = Member.objects.filter(pk=pk, is_active=True).first()
    if member is None:
        raise Http404
    return member


def grant_of(member: Member, pk: int) -> Grant:
    """One of the member's grants. Raises Http404 for an unknown one."""
    grant = member.grants.select_related("tier").filter(pk=pk).first()
    if grant is None:
        raise Http404
    return grant


def tier_called(slug: str) -> Tier:
    """One tier. Raises Http404 for an unknown one."""
    tier = Tier.objects.filter(slug=slug).first()
    if tier is None:
        raise Http404
    return tier


def code_numbered(pk: int) -> InvitationCode:
    """One invitation code. Raises Http404 for an unknown one."""
    code = InvitationCode.objects.filter(pk=pk).first()
    if code is None:
        raise Http404
    return code
