"""The standing and the decision for the host; the result for everybody; a scorecard for its entrant."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import Http404, HttpRequest, HttpResponse, HttpResponseBase, QueryDict
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_POST, require_safe

from academy.members.access import as_member, is_host
from academy.members.guards import hosts_page
from analysis.intake.delivery import to_save
from analysis.listening import segments
from contests import signing
from contests.hosting.access import hosted_contest
from contests.models import Contest, Vote
from contests.prizes.access import entries_with_prizes
from contests.prizes.pool import pool_of
from contests.queries import rubric_of
from contests.results import access, publishing, queries, standings
from contests.results.certificates import Certificate, as_pdf, as_png
from contests.results.doubts import doubts_of
from contests.results.exporting import export_of
from contests.results.forms import KEEP_AT_FIRST, CutLineForm, PlacesForm, PublicationForm
from contests.results.publishing import ResultRefused
from contests.results.tables import standings_csv
from contests.rounds.laying_out import rounds_in_words
from contests.scoring.errors import SheetsRefused
from contests.states import ContestState, EntryState, RoundState
from contests.voting.tables import vote_lines

PLACE, PART = "place", "part"
"""The two kinds of certificate: with the place, or only that somebody took part."""
SHEETS: Mapping[str, tuple[Callable[[Certificate], bytes], str]] = {
    "png": (as_png, "image/png"),
    "pdf": (as_pdf, "application/pdf"),
}
"""How a sheet is drawn by the ending of its address, and its media type."""


@hosts_page
@require_safe
def standing(request: HttpRequest, slug: str) -> HttpResponse:
    """The standing: live until the result is decided, frozen from then on."""
    return _standing_page(request, hosted_contest(request.user, slug))


@hosts_page
@require_safe
def standing_table(request: HttpRequest, slug: str) -> HttpResponse:
    """The standing as CSV."""
    contest = hosted_contest(request.user, slug)
    try:
        working, _ = queries.live_or_frozen(contest)
    except SheetsRefused as exc:
        raise Http404 from exc
    parts = queries.standing_parts(contest, working) if working else []
    return to_save(
        standings_csv(parts), filename=f"standing-{contest.slug}.csv", content_type="text/csv; charset=utf-8"
    )


@hosts_page
@require_safe
def firmness(request: HttpRequest, slug: str) -> HttpResponse:
    """How firm the standing is, for the host: advice, never a verdict."""
    contest = hosted_contest(request.user, slug)
    form = CutLineForm(request.GET or None)
    keep = form.cleaned_data["keep"] if form.is_valid() else KEEP_AT_FIRST
    found, refusal = None, ""
    try:
        found = doubts_of(contest, keep=keep)
    except SheetsRefused as exc:
        refusal = str(exc)
    page = {"contest": contest, "doubts": found, "refusal": refusal, "form": form}
    return render(request, "contests/results/firmness.html", page)


@hosts_page
@require_safe
def export(request: HttpRequest, slug: str) -> HttpResponse:
    """Everything that the decided result rests on, in one file that anybody can recount."""
    contest = hosted_contest(request.user, slug)
    try:
        text = export_of(contest)
    except ResultRefused as exc:
        raise Http404 from exc
    return to_save(text, filename=f"{contest.slug}-export.json", content_type="application/json")


@hosts_page
@require_POST
def decide(request: HttpRequest, slug: str) -> HttpResponse:
    """Decide the result as the form says."""
    contest = hosted_contest(request.user, slug)
    try:
        working, _ = queries.live_or_frozen(contest)
    except SheetsRefused:
        working = None  # deciding says the same in words
    form = _places_form(contest, working, request.POST)
    if not form.is_valid():
        return _standing_page(request, contest, form=form, status=422)
    try:
        publishing.decide_result(
            contest.pk,
            actor=as_member(request.user),
            now=timezone.now(),
            places=form.places(),
            reason=form.cleaned_data["reason"],
        )
    except ResultRefused as exc:
        contest.refresh_from_db()
        return _standing_page(request, contest, form=form, refusal=str(exc), status=422)
    messages.success(request, "The result is decided. This is how everybody will see it; nobody does yet.")
    return redirect("contests:result", slug=slug)


@hosts_page
@require_POST
def publish(request: HttpRequest, slug: str) -> HttpResponse:
    """Publish the decided result."""
    contest = hosted_contest(request.user, slug)
    try:
        publishing.publish_result(contest.pk, actor=as_member(request.user), now=timezone.now())
    except ResultRefused as exc:
        messages.error(request, str(exc))
        return redirect("contests:hosted", slug=slug)
    messages.success(request, "The result is published, and every entrant finds a scorecard.")
    return redirect("contests:result", slug=slug)


@hosts_page
@require_POST
def schedule(request: HttpRequest, slug: str) -> HttpResponse:
    """Set the moment at which the decided result publishes itself, or take it back."""
    contest = hosted_contest(request.user, slug)
    if contest.state not in {ContestState.DECIDED, ContestState.PUBLISHED}:
        raise Http404
    form = PublicationForm(contest, request.POST)
    try:
        if request.POST.get("act") == "cancel":
            publishing.cancel_publication(contest.pk, actor=as_member(request.user), now=timezone.now())
            messages.success(request, "The result waits; it is not published by itself.")
            return redirect("contests:result", slug=slug)
        if not form.is_valid():
            return _result_page(request, contest, form=form, status=422)
        publishing.set_publication(
            contest.pk, form.cleaned_data["at"], actor=as_member(request.user), now=timezone.now()
        )
    except ResultRefused as exc:
        return _result_page(request, contest, form=form, refusal=str(exc), status=422)
    messages.success(request, "The result publishes itself then. Until that moment nobody else sees it.")
    return redirect("contests:result", slug=slug)


@never_cache
@require_safe
def result(request: HttpRequest, slug: str) -> HttpResponse:
    """The result: places, prizes, the winners in the booth, and how it was judged."""
    publishing.publish_due(timezone.now(), slug=slug)
    return _result_page(request, access.result_for(request.user, slug))


def _result_page(
    request: HttpRequest,
    contest: Contest,
    *,
    form: PublicationForm | None = None,
    refusal: str = "",
    status: int = 200,
) -> HttpResponse:
    pool = pool_of(contest, shows_winners=True)
    groups = queries.place_groups(contest, pool)
    heard = queries.winners(groups)
    is_preview = contest.state != ContestState.PUBLISHED
    page = {
        "contest": contest,
        "groups": groups,
        "pool": pool,
        "booth_set": queries.booth_of(contest, [(one, _place_and_name(one)) for one in heard]),
        "is_preview": is_preview,
        "publication_form": (form or PublicationForm(contest)) if is_preview else None,
        "refusal": refusal,
        "is_host": is_host(request.user),
        "scorecards": access.scorecard_entries(request.user, contest),
        **_vote(contest),
        **_method(contest),
    }
    return render(request, "contests/results/result.html", page, status=status)


@never_cache
@require_safe
def hear(request: HttpRequest, code: str, index: int) -> HttpResponseBase:
    """Hand out one segment of a copy in the results booth."""
    found = access.result_to_hear(request.user, code)
    copy = queries.copy_of(found)
    if copy is None:
        raise Http404
    return segments.hand_out(request, copy, index, seat_key=found.code)


@login_required
@never_cache
@require_safe
def scorecard(request: HttpRequest, receipt: str) -> HttpResponse:
    """What the entrant gets back: scores, comments, place, and the own mix beside the winner."""
    own = access.own_scorecard(request.user, receipt)
    contest = own.contest
    first = [one for one in queries.winners(queries.place_groups(contest)) if one.place == 1]
    named = [(own, "Your mix"), *((one, _place_and_name(one)) for one in first if one.pk != own.pk)]
    page = {
        "contest": contest,
        "card": queries.scorecard_of(own),
        "booth_set": queries.booth_of(contest, named),
        "has_prizes": entries_with_prizes(as_member(request.user)).filter(pk=own.entry_id).exists(),
        **_method(contest),
    }
    return render(request, "contests/results/scorecard.html", page)


@login_required
@never_cache
@require_safe
def certificate(request: HttpRequest, receipt: str) -> HttpResponse:
    """The entrant's certificate in words, to print or to fetch as a picture."""
    own = access.own_scorecard(request.user, receipt)
    words = queries.certificate_of(own, with_place=request.GET.get("words") != PART)
    page = {
        "contest": own.contest,
        "entry": own.entry,
        "words": words,
        "kind": PLACE if words.place else PART,
    }
    return render(request, "contests/results/certificate.html", page)


@login_required
@never_cache
@require_safe
def certificate_file(request: HttpRequest, receipt: str, kind: str, ending: str) -> HttpResponse:
    """The certificate as a sheet of A4."""
    own = access.own_scorecard(request.user, receipt)
    if kind not in {PLACE, PART} or ending not in SHEETS:
        raise Http404
    draw, content_type = SHEETS[ending]
    words = queries.certificate_of(own, with_place=kind == PLACE)
    response = HttpResponse(draw(words), content_type=content_type)
    response["Content-Disposition"] = f'inline; filename="certificate-{receipt}.{ending}"'
    return response


@never_cache
@require_safe
def certificate_check(request: HttpRequest, receipt: str) -> HttpResponse:
    """What a true certificate about a receipt says. It tells nothing that the result's page does not."""
    found = access.published_result(receipt)
    page = {"contest": found.contest, "words": queries.certificate_of(found, with_place=True)}
    return render(request, "contests/results/certificate_check.html", page)


def _standing_page(
    request: HttpRequest,
    contest: Contest,
    *,
    form: PlacesForm | None = None,
    refusal: str = "",
    status: int = 200,
) -> HttpResponse:
    working = None
    is_frozen = False
    try:
        working, is_frozen = queries.live_or_frozen(contest)
    except SheetsRefused as exc:
        refusal = refusal or str(exc)
    parts = queries.standing_parts(contest, working) if working else []
    page = {
        "contest": contest,
        "parts": parts,
        "summary": working["summary"] if working else None,
        "is_frozen": is_frozen,
        "unheard": standings.unheard_entries(contest, working) if working and not is_frozen else [],
        "round": contest.rounds.last(),
        "may_decide": bool(working) and _is_judged(contest),
        "form": form or (_places_form(contest, working) if working and _is_judged(contest) else None),
        "refusal": refusal,
        "decision": contest.decisions.filter(action="result decided").last() if is_frozen else None,
        "departs": is_frozen and queries.departs_from_standing(contest),
    }
    return render(request, "contests/results/standing.html", page, status=status)


def _places_form(
    contest: Contest, working: Mapping[str, Any] | None, data: QueryDict | None = None
) -> PlacesForm:
    rows = working["entries"] if working else []
    computed = {int(row["entry"]): row["place"] for row in rows if row["place"] is not None}
    entries = contest.entries.filter(state=EntryState.READY).values_list("pk", "receipt")
    in_order = sorted(entries, key=lambda entry: (computed.get(entry[0], len(computed) + 1), entry[1]))
    return PlacesForm(in_order, computed, data)


def _is_judged(contest: Contest) -> bool:
    last = contest.rounds.last()
    return contest.state == ContestState.JUDGING and last is not None and last.state == RoundState.CLOSED


def _method(contest: Contest) -> dict[str, Any]:
    """What the statement of method needs."""
    working = contest.standing.working
    rounds = rounds_in_words(contest)
    return {
        "rounds": rounds if len(rounds) > 1 else [],
        "rubric": rubric_of(contest),
        "plan": queries.plan_of(contest),
        "summary": working["summary"],
        "n_judges": len(working["judges"]),
        "n_entries": contest.results.count(),
        "departs": queries.departs_from_standing(contest),
        "signing_key": signing.short_form(signing.public_key()),
        "decided_line": contest.decisions.filter(action="result decided").last(),
    }


def _vote(contest: Contest) -> dict[str, Any]:
    """What the ballots said, where a vote was held and counted."""
    vote = Vote.objects.filter(contest=contest).first()
    set_aside = vote.ballots.filter(is_set_aside=True).count() if vote else 0
    return {"vote_lines": vote_lines(vote), "set_aside": set_aside}


def _place_and_name(one: Any) -> str:
    return f"Place {one.place}: {one.entry.member.name}"
