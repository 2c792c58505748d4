"""The voter's page: the rules, the own ballot with its booth, the order, and the sealing."""

from __future__ import annotations

import json
from typing import Any

from django.http import HttpRequest, HttpResponse, HttpResponseBase, JsonResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from academy.members.access import as_member
from academy.members.doors import network_of
from analysis.listening import segments
from analysis.listening.models import ListeningCopy
from contests.judging.heard import raise_heard
from contests.judging.views import judges_page as voters_page
from contests.voting import access, ballots, queries
from contests.voting.ballots import BallotRefused


@voters_page
@require_http_methods(["GET", "HEAD", "POST"])
def vote(request: HttpRequest, slug: str) -> HttpResponse:
    """The vote's page; a POST draws the member's ballot, or finds the one that was drawn."""
    announced = access.announced_vote(slug)
    if request.method != "POST":
        return _page(request, slug)
    try:
        ballots.open_ballot(announced.pk, as_member(request.user), now=timezone.now())
    except BallotRefused as exc:
        return _page(request, slug, refusal=str(exc))
    return redirect("contests:vote", slug=slug)


@voters_page
@require_http_methods(["GET", "HEAD", "POST"])
def order(request: HttpRequest, slug: str) -> HttpResponse:
    """Move one mix. The button says how and which: `up:CODE`. A link here leads to the page."""
    if request.method != "POST":
        return redirect("contests:vote", slug=slug)
    ballot = access.ballot_to_fill(request.user, slug)
    move, _, code = request.POST.get("move", "").partition(":")
    try:
        ballots.move_line(ballot, code, move, now=timezone.now())
    except BallotRefused as exc:
        return _page(request, slug, refusal=str(exc))
    return redirect("contests:vote", slug=slug)


@voters_page
@require_http_methods(["GET", "HEAD", "POST"])
def submit(request: HttpRequest, slug: str) -> HttpResponse:
    """Seal the ballot. Whoever comes here by a link, after signing in for instance, is led to the page."""
    if request.method != "POST":
        return redirect("contests:vote", slug=slug)
    ballot = access.ballot_to_fill(request.user, slug)
    try:
        ballots.submit_ballot(
            ballot,
            shown_order=[code for code in request.POST.get("order", "").split(",") if code],
            network=network_of(request),
            now=timezone.now(),
        )
    except BallotRefused as exc:
        return _page(request, slug, refusal=str(exc))
    return redirect("contests:vote", slug=slug)


@voters_page
@require_POST
def heard(request: HttpRequest, slug: str) -> HttpResponse:
    """Take the booth's word for how long each mix was heard: JSON, seconds by code."""
    ballot = access.ballot_to_fill(request.user, slug)
    try:
        told: Any = json.loads(request.body)
    except (UnicodeDecodeError, ValueError, RecursionError):
        told = None
    if not isinstance(told, dict):
        return JsonResponse(
            {"message": "What arrived could not be read. Load the page anew and try again."}, status=422
        )
    if ballot.submitted_at is None and ballot.vote.is_open(timezone.now()):
        raise_heard(ballot.lines.all(), told)
    return HttpResponse(status=204)


@require_safe
def hear(request: HttpRequest, code: str, index: int) -> HttpResponseBase:
    """One segment of the mix under a code: of this voter's own ballot, while it is open."""
    line = access.line_to_play(request.user, code, timezone.now())
    copy = get_object_or_404(
        ListeningCopy, plan=line.ballot.vote.plan_id, recording=line.entry.recording_id, number=0
    )
    response = segments.hand_out(request, copy, index, seat_key=code)
    response["Referrer-Policy"] = "no-referrer"
    return response


def _page(request: HttpRequest, slug: str, *, refusal: str | None = None) -> HttpResponse:
    announced = access.announced_vote(slug)
    member = as_member(request.user)
    ballot = access.own_ballot(member, announced)
    page = {"vote": queries.page_of(announced, member, ballot, timezone.now()), "refusal": refusal}
    return render(request, "contests/voting/vote.html", page, status=200 if refusal is None else 422)
