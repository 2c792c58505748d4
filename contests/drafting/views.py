"""The host's pages for setting a contest up: a new one, a copy, and each sheet."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.db.models import ProtectedError
from django.forms import BaseFormSet
from django.http import Http404, HttpRequest, HttpResponse, QueryDict
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_safe

from academy.members.guards import hosts_page
from academy.members.models import Member
from academy.moments import site_zone
from academy.packs.models import StemPack
from contests.drafting import changing
from contests.drafting.changing import ChangeRefused
from contests.drafting.checklist import missing_before_opening, worth_a_thought
from contests.drafting.forms import FORMS, AnnouncementForm, CopyForm, NewContestForm
from contests.drafting.sheets import SHEETS, Sheet, why_settled
from contests.hosting.access import hosted_contest
from contests.models import Contest
from contests.states import ContestState

GET_OR_POST = ["GET", "HEAD", "POST"]


@hosts_page
@require_http_methods(GET_OR_POST)
def new(request: HttpRequest) -> HttpResponse:
    """Begin a draft."""
    form = NewContestForm(request.POST or None, initial={"zone": site_zone().key})
    if request.method == "POST" and form.is_valid():
        draft = changing.new_contest(
            **{name: form.cleaned_data[name] for name in ("title", "slug", "pack", "zone")},
            now=timezone.now(),
        )
        messages.success(request, f"{draft} is a draft; only hosts see it. Fill in its sheets.")
        return redirect("contests:set_up", slug=draft.slug)
    page = {"form": form, "has_packs": StemPack.objects.exists()}
    return render(request, "contests/drafting/new.html", page, status=_status(request))


@hosts_page
@require_safe
def set_up(request: HttpRequest, slug: str) -> HttpResponse:
    """What is missing, and every sheet with what it says."""
    contest = hosted_contest(request.user, slug)
    return render(request, "contests/drafting/overview.html", _overview(contest))


@hosts_page
@require_http_methods(GET_OR_POST)
def copy(request: HttpRequest, slug: str) -> HttpResponse:
    """Begin a draft from an earlier contest."""
    earlier = hosted_contest(request.user, slug)
    form = CopyForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        draft = changing.copy_contest(earlier, **form.cleaned_data, now=timezone.now())
        messages.success(request, f"{draft} is a copy of {earlier}, as a draft. Look at its dates first.")
        return redirect("contests:set_up", slug=draft.slug)
    page = {"contest": earlier, "form": form}
    return render(request, "contests/drafting/copy.html", page, status=_status(request))


@hosts_page
@require_http_methods(GET_OR_POST)
def sheet(request: HttpRequest, slug: str, name: str) -> HttpResponse:
    """One sheet, to read or to change."""
    contest = hosted_contest(request.user, slug)
    if name not in SHEETS:
        raise Http404
    form = FORMS[name](request.POST or None, instance=contest)
    is_draft = contest.state == ContestState.DRAFT
    announcing = None if is_draft else AnnouncementForm(request.POST or None)
    refusal = ""
    # Both are asked, so that everything that is wrong is shown at once.
    if request.method == "POST" and all([form.is_valid(), announcing is None or announcing.is_valid()]):
        try:
            changes = changing.change_sheet(
                contest.pk,
                name,
                lambda: _write(name, request.POST, contest.pk),
                actor=_host(request),
                now=timezone.now(),
                announcement=announcing.cleaned_data["announcement"] if announcing else "",
            )
        except ChangeRefused as exc:
            refusal = str(exc)
        except ProtectedError:
            refusal = "Scores were given or a prize is promised on one of these, so it cannot be removed."
        else:
            messages.success(request, _done(SHEETS[name], changed=bool(changes), is_draft=is_draft))
            if (further := _next_sheet(name)) and "further" in request.POST:
                return redirect("contests:set_up_sheet", slug=slug, name=further.name)
            return redirect("contests:set_up", slug=slug)
    page = {
        "contest": hosted_contest(request.user, slug),
        "sheet": SHEETS[name],
        "form": form,
        "announcing": announcing,
        "is_set": isinstance(form, BaseFormSet),
        "settled": why_settled(contest, SHEETS[name]),
        "further": _next_sheet(name) if is_draft else None,
        "refusal": refusal,
    }
    return render(request, "contests/drafting/sheet.html", page, status=_status(request))


def _write(name: str, sent: QueryDict, contest_id: int) -> None:
    """Put what was sent of a sheet into the database; of a contest only the fields that the form shows.

    By now the contest is locked, so the form is made and asked once more: while it waited, a round may have
    been prepared or the contest closed, and rows as they were read before would undo that. Raises
    ChangeRefused where it does not fit any more.
    """
    contest = Contest.objects.get(pk=contest_id)
    form = FORMS[name](sent, instance=contest)
    if not form.is_valid():
        raise ChangeRefused(
            "Something of this contest was changed at the same moment, and what you sent does not fit any "
            "more. Open the sheet anew and look at it again."
        )
    if isinstance(form, BaseFormSet) or form.instance is not contest:
        form.save()
        return
    form.save(commit=False)
    contest.save(update_fields=list(form.fields))


def _next_sheet(name: str) -> Sheet | None:
    """The sheet that follows in the order of setting up; None after the last."""
    names = list(SHEETS)
    place = names.index(name) + 1
    return SHEETS[names[place]] if place < len(names) else None


def _done(sheet: Sheet, *, changed: bool, is_draft: bool) -> str:
    if not changed:
        return f"{sheet.title}: nothing was different."
    return f"{sheet.title}: kept." if is_draft else f"{sheet.title}: changed, announced and recorded."


def _overview(contest: Contest) -> dict[str, Any]:
    return {
        "contest": contest,
        "missing": missing_before_opening(contest) if contest.state == ContestState.DRAFT else [],
        "thoughts": worth_a_thought(contest) if contest.state == ContestState.DRAFT else [],
        "sheets": [(one, one.says(contest), why_settled(contest, one)) for one in SHEETS.values()],
    }


def _status(request: HttpRequest) -> int:
    return 422 if request.method == "POST" else 200


def _host(request: HttpRequest) -> Member:
    assert isinstance(request.user, Member)
    return request.user
