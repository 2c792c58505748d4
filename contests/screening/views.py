"""The host's page of what was noticed about the entries."""

from __future__ import annotations

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_safe

from academy.members.access import as_member
from academy.members.guards import hosts_page
from contests.hosting.access import hosted_contest
from contests.models import Contest
from contests.screening import comparing, words
from contests.screening.comparing import ScreeningRefused
from contests.states import ContestState, EntryState


@hosts_page
@require_http_methods(["GET", "HEAD", "POST"])
def screening(request: HttpRequest, slug: str) -> HttpResponse:
    """What was found; a POST begins it, or begins it anew."""
    contest = hosted_contest(request.user, slug)
    refusal = ""
    if request.method == "POST":
        try:
            comparing.begin(contest.pk, actor=as_member(request.user), now=timezone.now())
        except ScreeningRefused as exc:
            refusal = str(exc)
        else:
            messages.success(request, "The entries are being screened; this page follows it.")
            return redirect("contests:screening", slug=slug)
    page = _found(contest) | {"refusal": refusal}
    return render(request, "contests/screening/page.html", page, status=422 if refusal else 200)


@hosts_page
@require_safe
def findings(request: HttpRequest, slug: str) -> HttpResponse:
    """The part of the page that changes by itself, for a script to ask for again and again."""
    return render(request, "contests/screening/_findings.html", _found(hosted_contest(request.user, slug)))


def _found(contest: Contest) -> dict[str, object]:
    kept = getattr(contest, "screening", None)
    lines = kept.screened.select_related("entry").order_by("entry__receipt") if kept else []
    pairs = kept.likenesses.select_related("entry", "other") if kept else []
    return {
        "contest": contest,
        "screening": kept,
        "done": len(lines),
        "of": contest.entries.filter(state__in=comparing.SCREENED).count(),
        "pairs": [(pair, words.of_kind(pair.kind)) for pair in pairs],
        "wrong_speed": [line for line in lines if line.speed],
        "unread": [line for line in lines if line.trouble],
        "off_spec": contest.entries.filter(state=EntryState.ATTENTION).order_by("receipt"),
        "may_begin": contest.state == ContestState.CLOSED,
    }
