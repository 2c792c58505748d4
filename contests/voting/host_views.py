"""The host's page of a vote: its terms, how it goes, and after its end what is odd about ballots."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_POST, require_safe

from academy.members.access import as_member
from academy.members.guards import hosts_page
from academy.members.models import Member
from analysis.listening.models import CopyState
from contests.drafting.sheets import SHEETS
from contests.hosting.access import hosted_contest
from contests.hosting.refusals import HostingRefused
from contests.models import Contest, Vote
from contests.states import VoteState
from contests.voting import running
from contests.voting.doubts import doubts_of
from contests.voting.field import copies_in_state, entries_of_vote, entries_under_other_rules
from contests.voting.forms import BallotsForm
from contests.voting.tables import vote_lines


@hosts_page
@require_safe
def vote(request: HttpRequest, slug: str) -> HttpResponse:
    """The vote as its host sees it: before its end nothing about what was voted."""
    return _page(request, hosted_contest(request.user, slug))


def _prepare(contest: Contest, host: Member, reason: str) -> str:
    running.prepare_vote(contest.pk, actor=host, now=timezone.now())
    return "The vote is prepared; it opens and ends by the clock. Copies that are missing are in the making."


def _end(contest: Contest, host: Member, reason: str) -> str:
    running.end_vote(contest.pk, actor=host, now=timezone.now(), reason=reason)
    return "The vote has ended. Look at its ballots, then count them."


def _count(contest: Contest, host: Member, reason: str) -> str:
    running.count_vote(contest.pk, actor=host, now=timezone.now())
    return "The vote is counted. It is shown with the result once that is published."


STEPS: dict[str, Callable[[Contest, Member, str], str]] = {
    "prepare": _prepare,
    "end": _end,
    "count": _count,
}
"""What each button does; it returns the sentence that says so."""


@hosts_page
@require_POST
def step(request: HttpRequest, slug: str, name: str) -> HttpResponse:
    """Prepare, end before the hour, or count."""
    contest = hosted_contest(request.user, slug)
    if name not in STEPS:
        raise Http404
    try:
        done = STEPS[name](contest, as_member(request.user), request.POST.get("reason", ""))
    except HostingRefused as exc:
        return _page(request, contest, refusal=str(exc))
    messages.success(request, done)
    return redirect("contests:host_vote", slug=slug)


@hosts_page
@require_POST
def ballots(request: HttpRequest, slug: str) -> HttpResponse:
    """Set ballots aside, or take them back."""
    contest = hosted_contest(request.user, slug)
    form = BallotsForm(request.POST)
    if not form.is_valid():
        return _page(request, contest, form=form, refusal="Nothing was done: see below.")
    aside = request.POST.get("do") != "back"
    try:
        changed = running.set_ballots_aside(
            contest.pk,
            form.codes(request.POST.getlist("ballot")),
            aside=aside,
            actor=as_member(request.user),
            now=timezone.now(),
            reason=form.cleaned_data["reason"],
        )
    except HostingRefused as exc:
        return _page(request, contest, form=form, refusal=str(exc))
    many = "1 ballot" if changed == 1 else f"{changed} ballots"
    messages.success(request, f"{many} {'set aside' if aside else 'taken back'}, and recorded.")
    return redirect("contests:host_vote", slug=slug)


def _page(
    request: HttpRequest, contest: Contest, *, form: BallotsForm | None = None, refusal: str = ""
) -> HttpResponse:
    vote = Vote.objects.filter(contest=contest).first()
    now = timezone.now()
    page: dict[str, Any] = {
        "contest": contest,
        "vote": vote,
        "terms": SHEETS["vote"].says(contest),
        "refusal": refusal,
    }
    if vote is not None:
        vote.contest = contest
        submitted = running.submitted_ballots(vote)
        has_ended = vote.state == VoteState.PREPARED and vote.has_ended(now)
        page |= {
            "is_open": vote.is_open(now),
            "has_ended": has_ended,
            "field_size": entries_of_vote(vote).count(),
            "copies_waiting": copies_in_state(vote, CopyState.WAITING).count(),
            "copies_refused": list(copies_in_state(vote, CopyState.REFUSED)),
            "given": vote.ballots.count(),
            "submitted": submitted.count(),
            "set_aside": list(submitted.filter(is_set_aside=True).values_list("code", flat=True)),
            "under_other_rules": entries_under_other_rules(vote).count(),
            "may_prepare": vote.state == VoteState.LAID_OUT
            or (vote.state == VoteState.PREPARED and not has_ended and not vote.ballots.exists()),
            "doubts": doubts_of(vote) if has_ended else [],
            "form": form or BallotsForm(),
            "lines": vote_lines(vote),
        }
    return render(request, "contests/voting/host.html", page, status=422 if refusal else 200)
