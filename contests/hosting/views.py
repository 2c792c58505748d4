"""The host's pages: every contest, one contest's desk, the match plan, the decision log."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any
from urllib.parse import urlencode

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from academy.members.access import as_member
from academy.members.guards import hosts_page
from academy.members.models import Member
from analysis.intake.delivery import to_save
from contests import decisions
from contests.hosting import access, queries, running, unblinding
from contests.hosting.entry_table import entries_csv
from contests.hosting.forms import EntrySearchForm, SeatForm
from contests.hosting.queries import Wanted
from contests.hosting.refusals import HostingRefused
from contests.hosting.tallies import tallies_of
from contests.judging import filling_up, panel
from contests.judging.assigning import AssignRefused
from contests.models import Contest
from contests.states import RoundState

MUCH_LOWERED_DB = 6.0
"""Beyond this the whole round is heard so low that its host should know why. Common practice, no source."""


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
    context = {"contest": contest, "tally": tallies_of([contest])[contest.pk]}
    return render(request, "contests/hosting/_progress.html", context)


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
    if not taken:
        return "The copies are in the making. Take the late entries in once they are ready."
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
        done = STEPS[name](contest, as_member(request.user), request.POST.get("reason", ""))
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
        _record_showing(request, contest)
    except HostingRefused as exc:
        return desk_page(request, contest, refusal=str(exc))
    return desk_page(request, contest, shows_names=True)


@hosts_page
@require_http_methods(["GET", "HEAD", "POST"])
def entries_table(request: HttpRequest, slug: str) -> HttpResponse:
    """Every entry as CSV, by receipt. While it is blind, names come by a POST alone, and it is recorded."""
    contest = access.hosted_contest(request.user, slug)
    with_names = not access.is_blind(contest)
    if request.method == "POST":
        try:
            _record_showing(request, contest)
        except HostingRefused as exc:
            return desk_page(request, contest, refusal=str(exc))
        with_names = True
    found = contest.entries.select_related("recording", "member").order_by("receipt")
    table = entries_csv(queries.lines_of(found, None), with_names=with_names)
    return to_save(table, filename=f"entries-{contest.slug}.csv", content_type="text/csv; charset=utf-8")


def _record_showing(request: HttpRequest, contest: Contest) -> None:
    """Have it recorded, with the reason that was typed, before anybody sees a name. Raises HostingRefused."""
    unblinding.show_names(
        contest.pk,
        actor=as_member(request.user),
        now=timezone.now(),
        reason=request.POST.get("reason", ""),
    )


@hosts_page
@require_safe
def match_plan(request: HttpRequest, slug: str) -> HttpResponse:
    """The round's level, and each copy as both meters read it."""
    contest = access.hosted_contest(request.user, slug)
    tally = tallies_of([contest])[contest.pk]
    plan = tally.round.plan if tally.round else None
    page: dict[str, Any] = {"contest": contest, "plan": plan, "round": tally.round, "tally": tally}
    if tally.round and plan:
        page |= {
            "limiting": contest.entries.filter(recording=plan.limiting_id).first(),
            "costs_much": plan.lowered_db > MUCH_LOWERED_DB,
            "found": queries.copies_page(contest, tally.round, request.GET.get("page", "")),
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
    # A form on the desk brings along what was looked for, so that its answer lists the same entries.
    said = request.POST if request.method == "POST" else request.GET
    search = EntrySearchForm(said)
    kept = {name: value for name, value in search.cleaned_data.items() if value} if search.is_valid() else {}
    wanted = Wanted(**kept, page=said.get("page", ""))
    found = queries.desk_of(contest, now, wanted)
    page = {
        "contest": contest,
        "now": now,
        "desk": found,
        "search": search,
        "wanted": wanted,
        "kept": urlencode(kept),
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
