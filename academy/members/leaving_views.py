"""Take one's own data along, and leave."""

from __future__ import annotations

from django.contrib import messages
from django.contrib.auth import logout
from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods, require_safe

from academy.members import leaving, own_data
from academy.members.access import as_member
from academy.members.account_views import is_trusted
from academy.members.forms import LeaveForm, posted
from analysis.intake.delivery import to_save


@require_safe
@login_required
@never_cache
def data(request: HttpRequest) -> HttpResponse:
    """Say what the site holds by the member, part by part."""
    parts = own_data.parts_of(as_member(request.user))
    return render(request, "academy/members/data.html", {"parts": parts})


@require_safe
@login_required
@never_cache
def archive(request: HttpRequest) -> HttpResponse:
    """Hand all of it out as one ZIP."""
    now = timezone.now()
    content = own_data.archive_of(as_member(request.user), now=now)
    return to_save(content, filename=f"own-data-{now:%Y-%m-%d}.zip", content_type="application/zip")


@require_http_methods(["GET", "HEAD", "POST"])
@login_required
@never_cache
def leave(request: HttpRequest) -> HttpResponse:
    """Say what is lost and what stays; with the pass phrase, do it."""
    member, now = as_member(request.user), timezone.now()
    partings = leaving.partings_of(member, now=now)
    choices = [choice for parting in partings for choice in parting.choices]
    form = LeaveForm(posted(request), member=member, choices=choices)
    status = 200
    if request.method == "POST":
        if is_trusted(member, form):
            try:
                leaving.leave(member, form.cleaned_data, now=now)
            except leaving.LeavingRefused as exc:
                form.add_error(None, str(exc))
            else:
                logout(request)
                messages.success(request, "Your account is deleted. Goodbye.")
                return redirect("front")
        status = 422
    context = {
        "form": form,
        "obstacles": [parting.obstacle for parting in partings if parting.obstacle],
        "lost": [line for parting in partings for line in parting.lost],
        "kept": [line for parting in partings for line in parting.kept],
    }
    return render(request, "academy/members/leave.html", context, status=status)
