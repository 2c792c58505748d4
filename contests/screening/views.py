"""The host's pages of what was noticed: the overview, and the page on which an entry is heard and decided
about.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from pathlib import PurePath
from typing import Any

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from academy.members.access import as_member
from academy.members.guards import hosts_page
from analysis.intake.delivery import hand_out_recording
from analysis.listening import segments
from analysis.listening.planning import CannotPlan
from analysis.measuring.measuring import kept_measurement
from contests.hosting import access
from contests.hosting.access import hosted_contest
from contests.hosting.refusals import HostingRefused
from contests.models import Contest, Entry, Ruling
from contests.screening import comparing, deciding, findings, hearing, repairing
from contests.screening.comparing import ScreeningRefused
from contests.screening.findings import Found
from contests.screening.forms import DecisionForm
from contests.states import ENTRY_MOVES, STANDING_ENTRY, ContestState, EntryState, RulingKind


@dataclass(frozen=True)
class Noticed:
    """One entry of the overview: what was noticed about it, and the host's last word, if there is one."""

    entry: Entry
    found: list[Found]
    ruling: Ruling | None
    waits: bool  # whether it is the host's turn


@hosts_page
@require_http_methods(["GET", "HEAD", "POST"])
def screening(request: HttpRequest, slug: str) -> HttpResponse:
    """What was noticed about all entries; a POST begins the screening, or begins it anew."""
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
    page = _overview(contest) | {"refusal": refusal}
    return render(request, "contests/screening/page.html", page, status=422 if refusal else 200)


@hosts_page
@require_safe
def noticed(request: HttpRequest, slug: str) -> HttpResponse:
    """The part of the page that changes by itself, for a script to ask for again and again."""
    return render(request, "contests/screening/_findings.html", _overview(hosted_contest(request.user, slug)))


def _overview(contest: Contest) -> dict[str, Any]:
    kept = getattr(contest, "screening", None)
    found = findings.of_contest(contest)
    last = repairing.last_rulings([contest])
    rulings = {one.entry_id: one for one in last.select_related("repair")}
    waiting = set(
        last.filter(repairing.HOSTS_TURN, entry__state__in=STANDING_ENTRY).values_list("entry", flat=True)
    )
    lines = [
        Noticed(
            entry,
            found.get(entry.pk, []),
            rulings.get(entry.pk),
            entry.pk in waiting
            or (entry.pk not in rulings and any(one.asks for one in found.get(entry.pk, []))),
        )
        for entry in contest.entries.filter(pk__in={*found, *rulings}).order_by("receipt")
    ]
    return {
        "contest": contest,
        "screening": kept,
        "done": kept.screened.count() if kept else 0,
        "of": contest.entries.filter(state__in=comparing.SCREENED).count(),
        "lines": sorted(lines, key=lambda line: not line.waits),
        "may_begin": contest.state == ContestState.CLOSED,
    }


@hosts_page
@require_http_methods(["GET", "HEAD", "POST"])
def entry(request: HttpRequest, slug: str, receipt: str) -> HttpResponse:
    """One entry: what was noticed, hear it, the host's decision, and the entrant's answer."""
    contest = hosted_contest(request.user, slug)
    found = access.entry_on_desk(contest, receipt)
    form = DecisionForm(contest, request.POST or None)
    refusal = ""
    if request.method == "POST" and form.is_valid():
        try:
            _decide(request, found, form.cleaned_data)
        except HostingRefused as exc:
            refusal = str(exc)
            found.refresh_from_db()
        else:
            messages.success(request, f"Your decision about {receipt} is recorded; the entrant is told.")
            return redirect("contests:host_entry", slug=slug, receipt=receipt)
    page = _entry_page(contest, found, timezone.now()) | {"form": form, "refusal": refusal}
    status = 422 if request.method == "POST" else 200
    return render(request, "contests/screening/entry.html", page, status=status)


def _decide(request: HttpRequest, found: Entry, filled: dict[str, Any]) -> None:
    """Take the decision whose button was pressed. Raises HostingRefused, and Http404 for a button that is
    not.
    """
    words = {"actor": as_member(request.user), "now": timezone.now(), "reason": filled["reason"]}
    match request.POST.get("decision", ""):
        case "accept":
            deciding.accept_entry(found.pk, **words)
        case "repair":
            deciding.ask_for_repair(found.pk, **words, until=filled.get("until"))
        case "disqualify":
            deciding.disqualify_entry(found.pk, **words)
        case "uphold":
            deciding.uphold(found.pk, **words)
        case _:
            raise Http404


def _entry_page(contest: Contest, found: Entry, now: datetime) -> dict[str, Any]:
    moves = ENTRY_MOVES[EntryState(found.state)]
    is_open_question = access.is_blind(contest)
    noticed = findings.of_entry(found)
    rulings = list(found.rulings.select_related("line__actor", "repair"))
    last = rulings[-1] if rulings else None
    return {
        "contest": contest,
        "entry": found,
        "now": now,
        "noticed": noticed,
        "heard": _heard(found, noticed),
        "rulings": rulings,
        "repairs": Ruling.objects.filter(repair=found).select_related("entry").first(),
        "measurement": kept_measurement(found.recording),
        "moves": [(move, EntryState(move.new_state).label) for move in found.moves.select_related("actor")],
        "may_accept": is_open_question and deciding.may_accept(found),
        "may_repair": contest.state == ContestState.CLOSED
        and found.state in {EntryState.READY, EntryState.ATTENTION},
        "may_disqualify": is_open_question and EntryState.DISQUALIFIED in moves,
        "may_uphold": is_open_question
        and last is not None
        and last.kind == RulingKind.DISQUALIFIED
        and last.answered_at is not None,
        "shows_names": not is_open_question,
    }


def _heard(found: Entry, noticed: list[Found]) -> hearing.Heard:
    return hearing.heard(found, [place for one in noticed for place in one.places])


@hosts_page
@require_POST
def prepare(request: HttpRequest, slug: str, receipt: str) -> HttpResponse:
    """Have the entry copied beside what it is like, to be heard on its page."""
    found = access.entry_on_desk(hosted_contest(request.user, slug), receipt)
    try:
        hearing.prepare(found, now=timezone.now())
    except CannotPlan as exc:
        messages.error(request, str(exc))
    return redirect("contests:host_entry", slug=slug, receipt=receipt)


@hosts_page
@require_safe
def booth_state(request: HttpRequest, slug: str, receipt: str) -> HttpResponse:
    """How far the copies are, for a script to ask for again and again."""
    contest = hosted_contest(request.user, slug)
    found = access.entry_on_desk(contest, receipt)
    page = {"contest": contest, "entry": found, "heard": _heard(found, []), "is_fresh": True}
    return render(request, "contests/screening/_booth_state.html", page)


@hosts_page
@require_safe
def hear(request: HttpRequest, slug: str, copy_id: int, index: int) -> HttpResponseBase:
    """Hand out one segment of a copy that is heard on an entry's page."""
    copy = hearing.copy_to_hear(hosted_contest(request.user, slug), copy_id)
    return segments.hand_out(request, copy, index, seat_key=str(copy.pk))


@hosts_page
@require_safe
def entry_file(request: HttpRequest, slug: str, receipt: str) -> HttpResponseBase:
    """The entry's own file for the host to hear, named by its receipt and not by its entrant."""
    recording = access.entry_on_desk(hosted_contest(request.user, slug), receipt).recording
    ending = PurePath(recording.original_name).suffix.lower()
    name = receipt + (ending if ending in {".wav", ".flac"} else "")
    return hand_out_recording(request, recording, filename=name)
