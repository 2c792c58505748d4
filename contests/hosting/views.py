"""The host's pages: every contest, one contest's desk, one entry, the match plan, the decision log."""

from __future__ import annotations

import functools
from collections.abc import Callable
from pathlib import PurePath
from typing import Any

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import Http404, HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from academy.members.models import Member
from analysis.intake.delivery import hand_out
from analysis.measuring.measuring import kept_measurement
from contests import decisions
from contests.hosting import access, queries, running, screening
from contests.hosting.forms import ReasonForm, SeatForm
from contests.hosting.refusals import HostingRefused
from contests.hosting.tallies import tallies_of
from contests.judging import filling_up, panel
from contests.judging.assigning import AssignRefused
from contests.models import Contest, Entry
from contests.states import ENTRY_MOVES, EntryState, RoundState

MUCH_LOWERED_DB = 6.0
"""Beyond this the whole round is heard so low that its host should know why. Common practice, no source."""

View = Callable[..., HttpResponseBase]


def hosts_page(view: View) -> View:
    """For a host who is signed in; other members find nothing there. Kept by no cache."""

    @login_required
    @never_cache
    @functools.wraps(view)
    def guarded(request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponseBase:
        access.require_host(request.user)
        return view(request, *args, **kwargs)

    return guarded


@hosts_page
@require_safe
def hosting(request: HttpRequest) -> HttpResponse:
    """Every contest, with what each needs now."""
    return render(request, "contests/hosting/list.html", {"lines": queries.contests_hosted(timezone.now())})


@hosts_page
@require_safe
def desk(request: HttpRequest, slug: str) -> HttpResponse:
    """One contest's desk."""
    return desk_page(request, access.hosted_contest(request.user, slug))


@hosts_page
@require_safe
def progress(request: HttpRequest, slug: str) -> HttpResponse:
    """The part of the desk that changes by itself, for a script to ask for again and again."""
    contest = access.hosted_contest(request.user, slug)
    return render(request, "contests/hosting/_progress.html", {"tally": tallies_of([contest])[contest.pk]})


def _open(contest: Contest, host: Member, reason: str) -> str:
    running.open_contest(contest.pk, actor=host, now=timezone.now())
    return f"{contest} is open for entries."


def _close(contest: Contest, host: Member, reason: str) -> str:
    running.close_contest(contest.pk, actor=host, now=timezone.now(), reason=reason)
    return f"{contest} is closed. Decide about entries that need attention, then prepare the round."


def _prepare(contest: Contest, host: Member, reason: str) -> str:
    running.prepare_round(contest.pk, actor=host, now=timezone.now())
    return "The level is found and the hearings are given out. The listening copies are in the making."


def _assign(contest: Contest, host: Member, reason: str) -> str:
    running.assign_again(contest.pk, actor=host, now=timezone.now())
    return "The hearings are given out anew."


def _anew(contest: Contest, host: Member, reason: str) -> str:
    running.prepare_again(contest.pk, actor=host, now=timezone.now())
    return "The round is prepared anew. The listening copies are in the making."


def _show_map(contest: Contest, host: Member, reason: str) -> str:
    running.show_map(contest.pk, True, actor=host, now=timezone.now())
    return "The judges will see the outline of the copy that they hear."


def _hide_map(contest: Contest, host: Member, reason: str) -> str:
    running.show_map(contest.pk, False, actor=host, now=timezone.now())
    return "The judges will see no outline."


def _fill_up(contest: Contest, host: Member, reason: str) -> str:
    found = filling_up.fill_up(contest.rounds.get(state=RoundState.JUDGING), actor=host, now=timezone.now())
    return f"Another judge has been found for {found} hearing{'' if found == 1 else 's'}."


def _late(contest: Contest, host: Member, reason: str) -> str:
    round_ = contest.rounds.get(state=RoundState.JUDGING)
    taken = filling_up.take_in_late(round_, actor=host, now=timezone.now())
    return f"{taken} late entr{'y is' if taken == 1 else 'ies are'} given out to judges with spare load."


def _judge(contest: Contest, host: Member, reason: str) -> str:
    running.open_judging(contest.pk, actor=host, now=timezone.now())
    return "The judging is open."


def _end(contest: Contest, host: Member, reason: str) -> str:
    closed = running.close_judging(contest.pk, actor=host, now=timezone.now(), reason=reason)
    if contest.rounds.filter(state=RoundState.PLANNED).exists():
        return f"Round {closed.number} is closed. Look at its cut, then prepare the next one."
    return "The judging is closed. Look at the standing and decide the result."


STEPS: dict[str, Callable[[Contest, Member, str], str]] = {
    "open": _open,
    "close": _close,
    "prepare": _prepare,
    "assign": _assign,
    "anew": _anew,
    "show-map": _show_map,
    "hide-map": _hide_map,
    "late": _late,
    "judge": _judge,
    "fill-up": _fill_up,
    "end": _end,
}
"""What each button of the desk does; it returns the sentence that says so."""


@hosts_page
@require_POST
def step(request: HttpRequest, slug: str, name: str) -> HttpResponse:
    """Take one step of the timetable."""
    contest = access.hosted_contest(request.user, slug)
    if name not in STEPS:
        raise Http404
    try:
        done = STEPS[name](contest, host_of(request), request.POST.get("reason", ""))
    except (HostingRefused, AssignRefused) as exc:
        contest.refresh_from_db()
        return desk_page(request, contest, refusal=str(exc), reason=request.POST.get("reason", ""))
    messages.success(request, done)
    return redirect("contests:hosted", slug=slug)


@hosts_page
@require_POST
def names(request: HttpRequest, slug: str) -> HttpResponse:
    """Show the desk with names. Each showing is a request of its own, and recorded as such."""
    contest = access.hosted_contest(request.user, slug)
    try:
        screening.show_names(
            contest.pk, actor=host_of(request), now=timezone.now(), reason=request.POST.get("reason", "")
        )
    except HostingRefused as exc:
        return desk_page(request, contest, refusal=str(exc))
    return desk_page(request, contest, shows_names=True)


@hosts_page
@require_http_methods(["GET", "HEAD", "POST"])
def entry(request: HttpRequest, slug: str, receipt: str) -> HttpResponse:
    """One entry: what was found, what became of it, and the host's decision."""
    contest = access.hosted_contest(request.user, slug)
    found = access.entry_on_desk(contest, receipt)
    form = ReasonForm(request.POST or None)
    refusal = ""
    if request.method == "POST" and form.is_valid():
        services = {"accept": screening.accept_entry, "disqualify": screening.disqualify_entry}
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
    return render(request, "contests/hosting/entry.html", page, status=status)


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


@hosts_page
@require_safe
def match_plan(request: HttpRequest, slug: str) -> HttpResponse:
    """The round's level, and each copy as both meters read it."""
    contest = access.hosted_contest(request.user, slug)
    tally = tallies_of([contest])[contest.pk]
    lines = queries.entry_lines(contest, tally.round)
    plan = tally.round.plan if tally.round else None
    limiting = next((one.entry for one in lines if plan and one.entry.recording_id == plan.limiting_id), None)
    page = {
        "contest": contest,
        "plan": plan,
        "round": tally.round,
        "tally": tally,
        "limiting": limiting,
        "costs_much": plan is not None and plan.lowered_db > MUCH_LOWERED_DB,
        "lines": [line for line in lines if line.copy],
    }
    return render(request, "contests/hosting/plan.html", page)


@hosts_page
@require_safe
def log(request: HttpRequest, slug: str) -> HttpResponse:
    """The decision log, with a check of its chain."""
    contest = access.hosted_contest(request.user, slug)
    page = {
        "contest": contest,
        "lines": queries.log_lines(contest),
        "broken": decisions.first_broken_line(contest),
    }
    return render(request, "contests/hosting/log.html", page)


def desk_page(
    request: HttpRequest,
    contest: Contest,
    *,
    refusal: str = "",
    reason: str = "",
    shows_names: bool = False,
    seat_form: SeatForm | None = None,
    status: int = 200,
) -> HttpResponse:
    """The desk, with a refusal or a form that came back."""
    now = timezone.now()
    found = queries.desk_of(contest, now, page=request.GET.get("page"))
    page = {
        "contest": contest,
        "now": now,
        "desk": found,
        "steps": [step for step in found.steps if not step.is_aside],
        "steps_aside": [step for step in found.steps if step.is_aside],
        "refusal": refusal,
        "reason": reason,
        "is_blind": access.is_blind(contest),
        "shows_names": shows_names or not access.is_blind(contest),
        "may_seat": contest.state in panel.SEATED_UNTIL,
        "seat_form": seat_form or SeatForm(),
    }
    return render(request, "contests/hosting/desk.html", page, status=422 if refusal else status)


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


def host_of(request: HttpRequest) -> Member:
    """Who is signed in. Only views behind `hosts_page` ask."""
    assert isinstance(request.user, Member)
    return request.user
