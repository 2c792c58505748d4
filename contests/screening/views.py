"""The host's page of what was noticed about the entries."""

from __future__ import annotations

from pathlib import PurePath
from typing import Any

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_safe

from analysis.intake.delivery import hand_out
from analysis.measuring.measuring import kept_measurement
from contests.hosting import access
from contests.hosting.access import hosted_contest
from contests.hosting.forms import ReasonForm
from contests.hosting.refusals import HostingRefused
from contests.hosting.views import host_of, hosts_page
from contests.models import Contest, Entry
from contests.screening import comparing, deciding, words
from contests.screening.comparing import ScreeningRefused
from contests.states import ENTRY_MOVES, ContestState, EntryState


@hosts_page
@require_http_methods(["GET", "HEAD", "POST"])
def screening(request: HttpRequest, slug: str) -> HttpResponse:
    """What was found; a POST begins it, or begins it anew."""
    contest = hosted_contest(request.user, slug)
    refusal = ""
    if request.method == "POST":
        try:
            comparing.begin(contest.pk, actor=host_of(request), now=timezone.now())
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


@hosts_page
@require_http_methods(["GET", "HEAD", "POST"])
def entry(request: HttpRequest, slug: str, receipt: str) -> HttpResponse:
    """One entry: what was found, what became of it, and the host's decision."""
    contest = access.hosted_contest(request.user, slug)
    found = access.entry_on_desk(contest, receipt)
    form = ReasonForm(request.POST or None)
    refusal = ""
    if request.method == "POST" and form.is_valid():
        services = {"accept": deciding.accept_entry, "disqualify": deciding.disqualify_entry}
        service = services.get(request.POST.get("decision", ""))
        if service is None:
            raise Http404
        try:
            service(found.pk, actor=host_of(request), now=timezone.now(), reason=form.cleaned_data["reason"])
        except HostingRefused as exc:
            refusal = str(exc)
            found.refresh_from_db()
        else:
            messages.success(request, f"Your decision about {receipt} is recorded.")
            return redirect("contests:hosted", slug=slug)
    page = _entry_page(contest, found) | {"form": form, "refusal": refusal}
    status = 422 if request.method == "POST" else 200
    return render(request, "contests/screening/entry.html", page, status=status)


@hosts_page
@require_safe
def entry_file(request: HttpRequest, slug: str, receipt: str) -> HttpResponseBase:
    """The entry's own file for the host to hear, named by its receipt and not by its entrant."""
    recording = access.entry_on_desk(access.hosted_contest(request.user, slug), receipt).recording
    ending = PurePath(recording.original_name).suffix.lower()
    return hand_out(
        request,
        recording.storage_key,
        size_bytes=recording.size_bytes,
        etag=recording.sha256,
        filename=receipt + (ending if ending in {".wav", ".flac"} else ""),
    )


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


def _entry_page(contest: Contest, found: Entry) -> dict[str, Any]:
    moves = ENTRY_MOVES[EntryState(found.state)]
    is_open_question = access.is_blind(contest)
    return {
        "contest": contest,
        "entry": found,
        "measurement": kept_measurement(found.recording),
        "moves": [(move, EntryState(move.new_state).label) for move in found.moves.select_related("actor")],
        "may_accept": is_open_question and EntryState.READY in moves and found.state != EntryState.CHECKING,
        "may_disqualify": is_open_question and EntryState.DISQUALIFIED in moves,
        "shows_names": not is_open_question,
    }
