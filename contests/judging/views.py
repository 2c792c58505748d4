"""The judge's pages: the rounds that wait, the desk with the booth, one sheet by itself.

Each service is reached by a plain form and by a script that sends the same fields as JSON.
"""

from __future__ import annotations

import functools
import json
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from academy.members.access import as_member
from contests.judging import access, orders, queries, sheets
from contests.judging.conflicts import ConflictRefused, declare_conflict
from contests.judging.drafts import SheetRefused, read_draft
from contests.judging.forms import ConflictForm
from contests.judging.heard import keep_heard
from contests.judging.sheets import SheetChanged
from contests.models import Assignment, Round

View = Callable[..., HttpResponse]


def judges_page(view: View) -> View:
    """For a judge who is signed in; kept by no cache on the way and by none in the browser.

    The site's `Referrer-Policy: same-origin` stays: codes leave for no other host. `no-referrer` would make
    browsers send `Origin: null` with every plain form, and Django rightly refuses such a form.
    """

    @login_required
    @functools.wraps(view)
    def private(request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
        response = view(request, *args, **kwargs)
        response["Cache-Control"] = "private, no-store"
        return response

    return private


@judges_page
@require_safe
def judging(request: HttpRequest) -> HttpResponse:
    """The rounds that wait for this judge."""
    rounds = queries.rounds_waiting(as_member(request.user), timezone.now())
    seats = queries.seats_of(as_member(request.user))
    return render(request, "contests/judging/list.html", {"rounds": rounds, "seats": seats})


@judges_page
@require_http_methods(["GET", "HEAD", "POST"])
def conflicts(request: HttpRequest, slug: str) -> HttpResponse:
    """Whose mixes the judge must not hear, said by the judge."""
    seat = access.own_seat(request.user, slug)
    form = ConflictForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        try:
            declare_conflict(seat, form.cleaned_data["email"], by=as_member(request.user), now=timezone.now())
        except ConflictRefused as exc:
            form.add_error("email", str(exc))
        else:
            messages.success(request, "It is taken down; you are not given that person’s mix.")
            return redirect("contests:conflicts", slug=slug)
    page = {"contest": seat.contest, "declared": seat.conflicts.all(), "form": form}
    status = 422 if request.method == "POST" else 200
    return render(request, "contests/judging/conflicts.html", page, status=status)


@judges_page
@require_safe
def desk(request: HttpRequest, slug: str, number: int) -> HttpResponse:
    """The booth with all of this judge's copies, and the sheet of the one that is heard."""
    return _desk_page(request, access.own_round(request.user, slug, number))


@judges_page
@require_http_methods(["GET", "HEAD", "POST"])
def sheet(request: HttpRequest, code: str) -> HttpResponse:
    """One sheet by itself; a POST keeps what was typed."""
    hearing = access.own_hearing(request.user, code)
    if request.method != "POST":
        return _sheet_page(request, hearing)
    return _write(request, hearing, sheets.save_draft, f"Your sheet for mix {hearing.label} is saved.")


@judges_page
@require_http_methods(["GET", "HEAD", "POST"])
def submit(request: HttpRequest, code: str) -> HttpResponse:
    """Seal a sheet. Whoever comes here by a link, after signing in for instance, is led to the sheet."""
    hearing = access.own_hearing(request.user, code)
    if request.method != "POST":
        return redirect("contests:sheet", code=code)
    return _write(request, hearing, sheets.submit_sheet, f"Your sheet for mix {hearing.label} is submitted.")


@judges_page
@require_http_methods(["GET", "HEAD", "POST"])
def leave(request: HttpRequest, code: str) -> HttpResponse:
    """Stand aside from one mix."""
    hearing = access.own_hearing(request.user, code)
    if request.method != "POST":
        return redirect("contests:sheet", code=code)
    try:
        sheets.stand_aside(hearing)
    except SheetRefused as exc:
        return _refused(request, hearing, {}, exc)
    return _done(request, hearing, f"You stood aside from mix {hearing.label}.")


@judges_page
@require_POST
def heard(request: HttpRequest, slug: str, number: int) -> HttpResponse:
    """Take the booth's word for how long and how often each copy was heard: JSON, by code."""
    round_ = access.own_round(request.user, slug, number)
    try:
        told = _fields(request)
    except SheetRefused as exc:
        return JsonResponse({"message": str(exc)}, status=422)
    keep_heard(as_member(request.user), round_, told, now=timezone.now())
    return HttpResponse(status=204)


@judges_page
@require_POST
def submit_sorted(request: HttpRequest, slug: str, number: int) -> HttpResponse:
    """Seal everything that is sorted."""
    round_ = access.own_round(request.user, slug, number)
    try:
        sealed = sheets.submit_sorted(round_, as_member(request.user), now=timezone.now())
    except SheetRefused as exc:
        return _desk_page(request, round_, refusal=str(exc))
    messages.success(request, f"{sealed} sheet{' is' if sealed == 1 else 's are'} submitted.")
    return redirect("contests:desk", slug=slug, number=number)


@judges_page
@require_POST
def submit_order(request: HttpRequest, slug: str, number: int) -> HttpResponse:
    """Seal the judge's own order of the round."""
    round_ = access.own_round(request.user, slug, number)
    try:
        orders.submit_order(round_, as_member(request.user), request.POST.dict(), now=timezone.now())
    except SheetRefused as exc:
        return _desk_page(request, round_, refusal=str(exc), places=request.POST.dict())
    messages.success(request, "Your order is submitted.")
    return redirect("contests:desk", slug=slug, number=number)


def _desk_page(
    request: HttpRequest, round_: Round, *, refusal: str = "", places: Mapping[str, str] | None = None
) -> HttpResponse:
    """The desk. After a refused order it shows the places that were typed."""
    desk = queries.desk_of(as_member(request.user), round_, timezone.now())
    if places is not None:
        desk = replace(desk, order=tuple(replace(one, place=places.get(one.code, "")) for one in desk.order))
    page = {"desk": desk, "refusal": refusal}
    return render(request, "contests/judging/desk.html", page, status=422 if refusal else 200)


def _write(
    request: HttpRequest, hearing: Assignment, service: Callable[..., Any], words: str
) -> HttpResponse:
    fields: Mapping[str, object] = {}
    try:
        fields = _fields(request)
        draft = read_draft(fields, sheets.criteria_asked(hearing.round), is_sorting=hearing.round.is_sorting)
        based_on = fields.get("based_on")
        service(
            hearing, draft=draft, now=timezone.now(), based_on=None if based_on is None else str(based_on)
        )
    except SheetRefused as exc:
        return _refused(request, hearing, fields, exc)
    return _done(request, hearing, words)


def _fields(request: HttpRequest) -> Mapping[str, object]:
    """What was sent, as a flat table of names and values. Raises SheetRefused for what is none."""
    if not _is_json(request):
        return request.POST.dict()
    try:
        fields = json.loads(request.body)
    except (UnicodeDecodeError, ValueError, RecursionError) as exc:
        raise SheetRefused("What arrived could not be read. Load the page anew and try again.") from exc
    if not isinstance(fields, dict):
        raise SheetRefused("What arrived could not be read. Load the page anew and try again.")
    return fields


def _done(request: HttpRequest, hearing: Assignment, words: str) -> HttpResponse:
    if _is_json(request):
        return JsonResponse(_state_of(request, hearing) | {"message": words})
    messages.success(request, words)
    return redirect("contests:desk", slug=hearing.round.contest.slug, number=hearing.round.number)


def _refused(
    request: HttpRequest, hearing: Assignment, fields: Mapping[str, object], exc: SheetRefused
) -> HttpResponse:
    if not _is_json(request):
        return _sheet_page(request, hearing, typed=fields or None, refusal=str(exc))
    answer = _state_of(request, hearing) | {"message": str(exc)}
    if isinstance(exc, SheetChanged):
        kept = sheets.fields_of(
            exc.sheet, sheets.criteria_asked(hearing.round), is_sorting=hearing.round.is_sorting
        )
        return JsonResponse(answer | {"fields": kept}, status=409)
    return JsonResponse(answer, status=422)


def _state_of(request: HttpRequest, hearing: Assignment) -> dict[str, object]:
    """All that a script is told of a sheet and of the round it belongs to."""
    hearing = access.own_hearing(request.user, hearing.code)
    words = queries.sheet_of(hearing)
    round_ = queries.round_of(as_member(request.user), hearing.round, timezone.now())
    return {
        "state": words.state,
        "state_words": words.state_words,
        "state_shape": words.state_shape,
        "is_open": words.is_open,
        "revision": words.revision,
        "submitted": round_.submitted,
        "needed": round_.needed,
        "listed": round_.listed,
        "about_min": round_.about_min,
    }


def _sheet_page(
    request: HttpRequest,
    hearing: Assignment,
    *,
    typed: Mapping[str, object] | None = None,
    refusal: str | None = None,
) -> HttpResponse:
    """The page of one sheet. After a refusal it shows what was typed, so that no word is lost."""
    hearing = access.own_hearing(request.user, hearing.code)
    page = {
        "sheet": queries.sheet_of(hearing) if typed is None else queries.sheet_as_typed(hearing, typed),
        "round": queries.round_of(as_member(request.user), hearing.round, timezone.now()),
        "refusal": refusal,
    }
    return render(request, "contests/judging/sheet.html", page, status=200 if refusal is None else 422)


def _is_json(request: HttpRequest) -> bool:
    return request.content_type == "application/json"
