"""The host's pages about members: the list, one member, what they hold."""

from __future__ import annotations

from datetime import datetime
from urllib.parse import urlencode

from django.contrib import messages
from django.core.paginator import Paginator
from django.db import IntegrityError, transaction
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from academy.members import granting, joining, queries
from academy.members.access import require_host
from academy.members.forms import posted
from academy.members.guards import hosts_page
from academy.members.hosting import access
from academy.members.hosting.forms import EndForm, GrantForm, NewMemberForm, SearchForm
from academy.members.models import Grant, GrantSource, Member

PAGE_LENGTH = 50


@hosts_page
@require_safe
def member_list(request: HttpRequest) -> HttpResponse:
    """Every member, or those that are looked for, page by page."""
    form = SearchForm(request.GET)
    said = form.cleaned_data if form.is_valid() else {}
    words, tier = said.get("words", ""), said.get("tier")
    found = queries.members_found(words, tier, now=timezone.now())
    kept = {"words": words, "tier": tier.pk if tier else ""}
    context = {
        "form": form,
        "page": Paginator(found, PAGE_LENGTH).get_page(request.GET.get("page")),
        "search": urlencode({name: value for name, value in kept.items() if value}),
        "is_search": bool(words or tier),
    }
    return render(request, "academy/members/hosting/list.html", context)


@hosts_page
@require_http_methods(["GET", "HEAD", "POST"])
def new_member(request: HttpRequest) -> HttpResponse:
    """Make an account for somebody, and write to them."""
    form = NewMemberForm(posted(request))
    if request.method == "POST" and form.is_valid():
        try:
            member = _make_member(form, require_host(request.user))
        except IntegrityError:
            form.add_error("address", "A member has this address already. Look for it in the list.")
        except granting.GrantRefused as exc:
            form.add_error("ends", str(exc))
        else:
            messages.success(request, f"{member} has an account. The letter with the link is on its way.")
            return redirect("members:hosted", member.pk)
    status = 422 if form.is_bound else 200
    return render(request, "academy/members/hosting/new.html", {"form": form}, status=status)


@transaction.atomic
def _make_member(form: NewMemberForm, host: Member) -> Member:
    said, now = form.cleaned_data, timezone.now()
    member = Member.objects.create_user(said["address"], said["name"])
    if said["tier"]:
        granting.give(
            member,
            said["tier"],
            starts_at=said["starts"] or now,
            ends_at=said["ends"],
            source=GrantSource.HOST,
            given_by=host,
            now=now,
            tell=False,
        )
    joining.invite(member, now=now)
    return member


@hosts_page
@require_safe
def member(request: HttpRequest, pk: int) -> HttpResponse:
    """One member: what they hold and held, and how it came."""
    return _member_page(request, access.member_numbered(pk), GrantForm())


@hosts_page
@require_POST
def give(request: HttpRequest, pk: int) -> HttpResponse:
    """Give the member a tier."""
    found, now = access.member_numbered(pk), timezone.now()
    form = GrantForm(request.POST)
    if form.is_valid():
        said = form.cleaned_data
        try:
            grant = granting.give(
                found,
                said["tier"],
                starts_at=said["starts"] or now,
                ends_at=said["ends"],
                source=GrantSource.HOST,
                reason=said["reason"],
                given_by=require_host(request.user),
                now=now,
            )
        except granting.GrantRefused as exc:
            form.add_error("ends", str(exc))
        else:
            messages.success(request, f"{found} holds “{grant.tier}”.")
            return redirect("members:hosted", pk)
    return _member_page(request, found, form, status=422)


@hosts_page
@require_http_methods(["GET", "HEAD", "POST"])
def end(request: HttpRequest, pk: int, grant_pk: int) -> HttpResponse:
    """End one grant now, with a reason."""
    found = access.member_numbered(pk)
    grant = access.grant_of(found, grant_pk)
    form = EndForm(posted(request))
    if request.method == "POST" and form.is_valid():
        host, now = require_host(request.user), timezone.now()
        try:
            granting.end(grant, reason=form.cleaned_data["reason"], ended_by=host, now=now)
        except granting.GrantRefused as exc:
            form.add_error(None, str(exc))
        else:
            messages.success(request, f"“{grant.tier}” has ended for {found}. It stays in the history.")
            return redirect("members:hosted", pk)
    context = {"member": found, "grant": grant, "form": form}
    status = 422 if form.is_bound else 200
    return render(request, "academy/members/hosting/end.html", context, status=status)


@hosts_page
@require_POST
def invite(request: HttpRequest, pk: int) -> HttpResponse:
    """Write to the member once more, with a link to a pass phrase."""
    found, now = access.member_numbered(pk), timezone.now()
    if not joining.may_write_to(found.email, now):
        messages.error(request, "Three letters went to this address within the hour. Wait before the next.")
    else:
        with transaction.atomic():
            joining.invite(found, now=now)
        messages.success(request, f"A letter with a link to a pass phrase is on its way to {found.email}.")
    return redirect("members:hosted", pk)


def _member_page(request: HttpRequest, found: Member, form: GrantForm, *, status: int = 200) -> HttpResponse:
    now = timezone.now()
    context = {
        "member": found,
        "form": form,
        "lines": [(grant, _standing_of(grant, now)) for grant in queries.grants_ever(found)],
        "events": found.payment_events.select_related("tier")[:PAGE_LENGTH],
    }
    return render(request, "academy/members/hosting/member.html", context, status=status)


def _standing_of(grant: Grant, now: datetime) -> str:
    """Where a grant is: `coming`, `held` or `over`."""
    if not granting.lasts_beyond(grant, now):
        return "over"
    return "held" if grant.holds(now) else "coming"
