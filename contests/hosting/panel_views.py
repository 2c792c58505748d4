"""The host's pages about the panel: seats, one judge's progress, conflicts of interest, dropping out."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from academy.members.access import as_member
from academy.members.guards import hosts_page
from academy.members.models import Member
from contests.hosting import access
from contests.hosting.forms import ReasonForm, SeatForm
from contests.hosting.queries import judges_at_work, sessions_of
from contests.hosting.tallies import tallies_of
from contests.hosting.views import desk_page
from contests.judging import panel
from contests.judging.conflicts import ConflictRefused, declare_conflict
from contests.judging.filling_up import drop_out as let_drop_out
from contests.judging.forms import ConflictForm
from contests.judging.panel import PanelRefused
from contests.models import Contest, Judge


@hosts_page
@require_POST
def seat(request: HttpRequest, slug: str) -> HttpResponse:
    """Give a member a seat on the panel."""
    contest = access.hosted_contest(request.user, slug)
    form = SeatForm(request.POST)
    if not form.is_valid():
        return desk_page(request, contest, seat_form=form, status=422)
    member = Member.objects.filter(email=form.cleaned_data["email"].lower(), is_active=True).first()
    try:
        if member is None:
            raise PanelRefused("No member has this address. Judges need an account here first.")
        panel.seat_judge(contest, member, actor=as_member(request.user), now=timezone.now())
    except PanelRefused as exc:
        form.add_error("email", str(exc))
        return desk_page(request, contest, seat_form=form, status=422)
    messages.success(request, f"{member} sits on the panel.")
    return redirect("contests:hosted", slug=slug)


@hosts_page
@require_safe
def judge(request: HttpRequest, slug: str, judge_id: int) -> HttpResponse:
    """One judge: progress, conflicts of interest, and what can be done."""
    contest = access.hosted_contest(request.user, slug)
    return _judge_page(request, contest, access.seat_on_panel(contest, judge_id))


@hosts_page
@require_POST
def conflict(request: HttpRequest, slug: str, judge_id: int) -> HttpResponse:
    """Take a conflict of interest down for a judge."""
    contest = access.hosted_contest(request.user, slug)
    found = access.seat_on_panel(contest, judge_id)
    form = ConflictForm(request.POST)
    if form.is_valid():
        try:
            declare_conflict(
                found, form.cleaned_data["email"], by=as_member(request.user), now=timezone.now()
            )
        except ConflictRefused as exc:
            form.add_error("email", str(exc))
        else:
            messages.success(request, "The conflict is noted; the two never meet.")
            return redirect("contests:host_judge", slug=slug, judge_id=judge_id)
    return _judge_page(request, contest, found, conflict_form=form, status=422)


@hosts_page
@require_POST
def drop_out(request: HttpRequest, slug: str, judge_id: int) -> HttpResponse:
    """Let a judge go in the middle of a round, and give the missing hearings to others."""
    contest = access.hosted_contest(request.user, slug)
    found = access.seat_on_panel(contest, judge_id)
    form = ReasonForm(request.POST)
    if form.is_valid():
        try:
            moved = let_drop_out(
                found, actor=as_member(request.user), now=timezone.now(), reason=form.cleaned_data["reason"]
            )
        except PanelRefused as exc:
            form.add_error(None, str(exc))
        else:
            words = f"{moved} hearing{' goes' if moved == 1 else 's go'} to other judges"
            messages.success(request, f"{found.member} has left the round; {words}.")
            return redirect("contests:hosted", slug=slug)
    return _judge_page(request, contest, found, leaving_form=form, status=422)


@hosts_page
@require_http_methods(["GET", "HEAD", "POST"])
def unseat(request: HttpRequest, slug: str, judge_id: int) -> HttpResponse:
    """Say what is lost when a seat is taken away, and with a reason do it."""
    contest = access.hosted_contest(request.user, slug)
    found = access.seat_on_panel(contest, judge_id)
    form = ReasonForm(request.POST or None)
    refusal = ""
    if request.method == "POST" and form.is_valid():
        try:
            panel.remove_judge(
                found, actor=as_member(request.user), now=timezone.now(), reason=form.cleaned_data["reason"]
            )
        except PanelRefused as exc:
            refusal = str(exc)
        else:
            messages.success(request, f"{found.member} no longer sits on the panel.")
            return redirect("contests:hosted", slug=slug)
    page = {"contest": contest, "judge": found, "form": form, "refusal": refusal}
    status = 422 if request.method == "POST" else 200
    return render(request, "contests/hosting/unseat.html", page, status=status)


def _judge_page(
    request: HttpRequest, contest: Contest, found: Judge, *, status: int = 200, **forms: Any
) -> HttpResponse:
    tally = tallies_of([contest])[contest.pk]
    page = {
        "contest": contest,
        "judge": judges_at_work(contest, tally.round).get(pk=found.pk),
        "sessions": sessions_of(found, tally.round),
        "is_judging": tally.is_judging,
        "may_seat": contest.state in panel.SEATED_UNTIL,
        "conflict_form": forms.get("conflict_form") or ConflictForm(),
        "leaving_form": forms.get("leaving_form") or ReasonForm(),
    }
    return render(request, "contests/hosting/judge.html", page, status=status)
