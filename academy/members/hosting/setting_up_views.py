"""The host's pages about tiers, invitation codes, and lists of members from elsewhere."""

from __future__ import annotations

from django.contrib import messages
from django.db.models import Count, Q
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from academy.letters.addresses import absolute
from academy.members import codes, importing, queries
from academy.members.access import require_host
from academy.members.forms import posted
from academy.members.guards import hosts_page
from academy.members.hosting import access
from academy.members.hosting.forms import CodeForm, ListForm, TakeForm, TierForm
from academy.members.importing import Report
from academy.members.memberlists import COLUMNS, ListRefused
from academy.members.models import Grant, HeldList, InvitationCode, Tier
from academy.moments import site_zone

SHOWN = 200  # rows of a list that a page shows, beside all that are refused


@hosts_page
@require_safe
def tiers(request: HttpRequest) -> HttpResponse:
    """Every tier, with how many hold it now."""
    held = Grant.objects.filter(queries.in_force(timezone.now())).values("pk")
    holders = Count("grants__member", distinct=True, filter=Q(grants__in=held))
    lines = Tier.objects.annotate(holders=holders).order_by("rank")
    return render(request, "academy/members/hosting/tiers.html", {"tiers": lines})


@hosts_page
@require_http_methods(["GET", "HEAD", "POST"])
def tier(request: HttpRequest, slug: str = "") -> HttpResponse:
    """Change one tier, or make a new one."""
    found = access.tier_called(slug) if slug else None
    form = TierForm(posted(request), instance=found)
    if request.method == "POST" and form.is_valid():
        saved = form.save()
        messages.success(request, f"“{saved}” is kept.")
        return redirect("members:hosted_tiers")
    context = {"form": form, "tier": access.tier_called(slug) if slug else None}
    status = 422 if form.is_bound else 200
    return render(request, "academy/members/hosting/tier.html", context, status=status)


@hosts_page
@require_http_methods(["GET", "HEAD", "POST"])
def invitation_codes(request: HttpRequest) -> HttpResponse:
    """Every invitation code, and a form for a new one."""
    now = timezone.now()
    form = CodeForm(posted(request))
    if request.method == "POST" and form.is_valid():
        said = form.cleaned_data
        made = codes.make_code(
            tier=said["tier"],
            length_days=said["length_days"],
            most_uses=said["most_uses"],
            expires_at=said["expires_at"],
            note=said["note"],
            made_by=require_host(request.user),
            now=now,
        )
        messages.success(request, f"The code is {made}. Hand it on.")
        return redirect("members:hosted_codes")
    context = {
        "form": form,
        "codes": InvitationCode.objects.select_related("tier", "made_by"),
        "join_address": absolute(reverse("members:join")),
        "now": now,
    }
    status = 422 if form.is_bound else 200
    return render(request, "academy/members/hosting/codes.html", context, status=status)


@hosts_page
@require_POST
def stop_code(request: HttpRequest, pk: int) -> HttpResponse:
    """Let nobody redeem a code any more."""
    code = access.code_numbered(pk)
    codes.stop(code, now=timezone.now())
    messages.success(request, f"{code} is stopped. What it has given stays.")
    return redirect("members:hosted_codes")


@hosts_page
@require_http_methods(["GET", "HEAD", "POST"])
def upload_list(request: HttpRequest) -> HttpResponse:
    """Take a CSV file to look at. Nothing is imported yet."""
    host = require_host(request.user)
    form = ListForm(request.POST, request.FILES) if request.method == "POST" else ListForm()
    if form.is_bound and form.is_valid():
        text, now = form.cleaned_data["file"], timezone.now()
        try:
            importing.import_members(text, now=now, dry_run=True)
        except ListRefused as exc:
            form.add_error("file", str(exc))
        else:
            said = {"name": form.file_name, "text": text, "uploaded_at": now}
            HeldList.objects.update_or_create(host=host, defaults=said)
            return redirect("members:hosted_list")
    context = {
        "form": form,
        "columns": COLUMNS,
        "zone": site_zone().key,
        "tiers": Tier.objects.order_by("rank"),
    }
    status = 422 if form.is_bound else 200
    return render(request, "academy/members/hosting/upload.html", context, status=status)


@hosts_page
@require_http_methods(["GET", "HEAD", "POST"])
def held_list(request: HttpRequest) -> HttpResponse:
    """Show what an import would do, row by row; then do it, or drop the list."""
    host = require_host(request.user)
    held = HeldList.objects.filter(host=host).first()
    if held is None:
        return redirect("members:hosted_upload")
    if request.method != "POST":
        return _list_page(request, held, TakeForm())
    if "drop" in request.POST:
        held.delete()
        messages.success(request, "The list is dropped. Nothing was imported.")
        return redirect("members:hosted_upload")
    form = TakeForm(request.POST)
    chosen = form.cleaned_data if form.is_valid() else {}
    try:
        report = importing.import_members(held.text, now=timezone.now(), by=host, **chosen)
    except ListRefused as exc:
        form.add_error(None, str(exc))
        return _list_page(request, held, form, status=422)
    if not report.is_taken:
        form.add_error(
            None, "Rows are refused, so nothing was imported. Correct the file, or take the good rows."
        )
        return _list_page(request, held, form, status=422)
    held.delete()
    messages.success(request, _summary(report))
    return redirect("members:hosting")


def _list_page(request: HttpRequest, held: HeldList, form: TakeForm, *, status: int = 200) -> HttpResponse:
    report = importing.import_members(held.text, now=timezone.now(), dry_run=True)
    good = [row for row in report.rows if row.line.trouble is None]
    context = {
        "held": held,
        "form": form,
        "refused": report.refused,
        "good": good[:SHOWN],
        "good_count": len(good),
        "counts": {outcome.value: report.counts[outcome] for outcome in importing.Outcome},
    }
    return render(request, "academy/members/hosting/held_list.html", context, status=status)


def _summary(report: Report) -> str:
    counts = report.counts
    new, given = counts[importing.Outcome.NEW], counts[importing.Outcome.GRANTED]
    same, refused = counts[importing.Outcome.UNCHANGED], counts[importing.Outcome.REFUSED]
    return f"{new} new members, {given} tiers given to others, {same} unchanged, {refused} refused."
