"""The host's page of the rounds: where each stands, the cut, further hearings, the next round."""

from __future__ import annotations

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_POST, require_safe

from academy.members.access import as_member
from academy.members.guards import hosts_page
from analysis.audiofile import AudioError
from contests.hosting import access, running
from contests.hosting.refusals import HostingRefused
from contests.judging.assigning import AssignRefused
from contests.judging.filling_up import hear_again
from contests.models import Contest
from contests.rounds import queries
from contests.rounds.anchoring import AnchorRefused, add_own_mix, choose_anchors
from contests.rounds.forms import OwnMixForm
from contests.states import RoundState

LINES_A_PAGE = 100


@hosts_page
@require_safe
def rounds(request: HttpRequest, slug: str) -> HttpResponse:
    """All rounds, and the cut of the last one that was heard."""
    return _page(request, access.hosted_contest(request.user, slug))


@hosts_page
@require_POST
def again(request: HttpRequest, slug: str) -> HttpResponse:
    """Have chosen entries heard by one more judge each."""
    contest = access.hosted_contest(request.user, slug)
    chosen = _receipts(request, "entry", "entries")
    last = contest.rounds.exclude(state=RoundState.PLANNED).last()
    try:
        if last is None:
            raise AssignRefused("No round has been prepared.")
        heard = hear_again(
            last,
            chosen,
            actor=as_member(request.user),
            now=timezone.now(),
            reason=request.POST.get("reason", ""),
        )
    except AssignRefused as exc:
        return _page(request, contest, refusal=str(exc), chosen=chosen)
    messages.success(
        request,
        f"{heard} further hearing{' is' if heard == 1 else 's are'} given out; round {last.number} is open.",
    )
    return redirect("contests:host_rounds", slug=slug)


@hosts_page
@require_POST
def prepare(request: HttpRequest, slug: str) -> HttpResponse:
    """Prepare the next round with those who go on, and with whom the host adds."""
    contest = access.hosted_contest(request.user, slug)
    added = _receipts(request, "added", "others")
    try:
        round_ = running.prepare_round(
            contest.pk,
            actor=as_member(request.user),
            now=timezone.now(),
            added=added,
            reason=request.POST.get("reason", ""),
        )
    except HostingRefused as exc:
        contest.refresh_from_db()
        return _page(request, contest, refusal=str(exc), added=added)
    messages.success(
        request, f"Round {round_.number} is prepared. Its copies are in the making; open it on the desk."
    )
    return redirect("contests:hosted", slug=slug)


@hosts_page
@require_POST
def anchors(request: HttpRequest, slug: str) -> HttpResponse:
    """Choose what the whole panel hears in the next round."""
    contest = access.hosted_contest(request.user, slug)
    upcoming = contest.rounds.filter(state=RoundState.PLANNED).first()
    typed = _receipts(request, "own", "receipts")
    try:
        if upcoming is None:
            raise AnchorRefused("No further round is laid out.")
        chosen = choose_anchors(upcoming, typed, actor=as_member(request.user), now=timezone.now())
    except AnchorRefused as exc:
        return _page(request, contest, refusal=str(exc))
    messages.success(request, f"{chosen} anchor{' is' if chosen == 1 else 's are'} chosen.")
    return redirect("contests:host_rounds", slug=slug)


@hosts_page
@require_POST
def own_mix(request: HttpRequest, slug: str) -> HttpResponse:
    """Take in a mix of the host's own."""
    contest = access.hosted_contest(request.user, slug)
    form = OwnMixForm(request.POST, request.FILES)
    if not form.is_valid():
        return _page(request, contest, own_mix_form=form, status=422)
    file = form.cleaned_data["file"]
    try:
        add_own_mix(
            contest.pk, file.chunks(), name=file.name, actor=as_member(request.user), now=timezone.now()
        )
    except (AudioError, AnchorRefused) as exc:
        form.add_error("file", str(exc))
        return _page(request, contest, own_mix_form=form, status=422)
    messages.success(request, "Your mix is taken in and is being measured. Choose it as an anchor below.")
    return redirect("contests:host_rounds", slug=slug)


def _receipts(request: HttpRequest, ticked: str, typed: str) -> list[str]:
    """What was ticked, and what was typed with spaces or commas between, each once."""
    words = request.POST.get(typed, "").upper().replace(",", " ").split()
    return list(dict.fromkeys(request.POST.getlist(ticked) + words))


def _page(
    request: HttpRequest,
    contest: Contest,
    *,
    refusal: str = "",
    chosen: list[str] | None = None,
    added: list[str] | None = None,
    own_mix_form: OwnMixForm | None = None,
    status: int = 200,
) -> HttpResponse:
    found = queries.rounds_page(contest)
    rows = found.current.rows if found.current else ()
    turn = Paginator(rows, LINES_A_PAGE).get_page(request.GET.get("page"))
    page = {
        "contest": contest,
        "page": found,
        "turn": turn,
        "lines": queries.cut_words(turn),
        "refusal": refusal,
        "reason": request.POST.get("reason", ""),
        "chosen": [row.receipt for row in rows if row.is_borderline] if chosen is None else chosen,
        "added": added or [],
        "own_mix_form": own_mix_form or OwnMixForm(),
    }
    return render(request, "contests/rounds/page.html", page, status=422 if refusal else status)
