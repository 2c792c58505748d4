"""The pages of contests for everybody, and the entrant's path."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from django.conf import settings
from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import Http404, HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from academy.letters import wishes
from academy.members.access import as_member
from academy.members.models import Member
from analysis.audiofile import AudioError
from analysis.intake import answering
from analysis.intake.delivery import hand_out_recording, to_save
from analysis.intake.resumable import taking as resumable
from analysis.intake.resumable.refusals import UploadRefused
from analysis.jobs import requesting
from analysis.jobs.models import JobState
from analysis.measuring.measuring import kept_measurement
from contests import access, queries, reminding, signing
from contests.entering import submissions
from contests.entering.calendar import calendar_of
from contests.entering.checking import CHECK_ENTRY
from contests.entering.forms import EntryForm, ReceiptForm
from contests.entering.receipts import check_receipt, signed_receipt
from contests.entering.submissions import EntryRefused
from contests.letters import DEADLINE_NEAR
from contests.models import Contest, Entry, Ruling
from contests.prizes.pool import pool_of
from contests.results import publishing
from contests.rounds.laying_out import rounds_in_words
from contests.scoring.standing import METHOD
from contests.screening import deciding, repairing
from contests.screening.deciding import AnswerRefused
from contests.screening.forms import AnswerForm
from contests.states import ContestState, EntryState


@require_safe
def contest_list(request: HttpRequest) -> HttpResponse:
    """Every contest, open ones first."""
    listed = queries.contests_listed(request.user, timezone.now())
    return render(request, "contests/entering/list.html", {"listed": listed})


@require_safe
def contest_page(request: HttpRequest, slug: str) -> HttpResponse:
    """All that is known of a contest before its result, and what this person can do next."""
    now = timezone.now()
    publishing.publish_due(now, slug=slug)
    contest = access.contest_for(request.user, slug)
    page = {
        "contest": contest,
        "now": now,
        "stage": queries.stage_of(contest, now),
        "is_open": contest.accepts_entries(now),
        "rubric": queries.rubric_of(contest),
        "pool": pool_of(contest, shows_winners=contest.state == ContestState.PUBLISHED),
        "rounds": rounds_in_words(contest),
        "sponsors": list(contest.sponsors.all()),
        "panel_size": contest.judges.count(),
        "method": METHOD,
        "changes": queries.announced_changes(contest),
        "vote_is_open": hasattr(contest, "vote") and contest.vote.is_open(now),
    }
    if isinstance(request.user, Member):
        page["own_entries"] = queries.live_entries(contest, request.user)
        page["obstacle"] = submissions.obstacle(contest, request.user, now)
        if not request.user.is_host and not page["own_entries"] and reminding.may_ask(contest, now):
            page["reminder"] = {
                "is_asked": contest.reminders.filter(member=request.user).exists(),
                "is_of_use": bool(reminding.moments_ahead(contest, now)),
            }
    return render(request, "contests/entering/contest.html", page)


@login_required
@require_POST
def remind(request: HttpRequest, slug: str) -> HttpResponse:
    """Have oneself reminded of the contest's deadline, or no longer."""
    contest = access.contest_for(request.user, slug)
    member = as_member(request.user)
    if request.POST.get("wish") == "stop":
        reminding.stop(contest, member)
        messages.success(request, "No reminder of this deadline will come.")
    elif not reminding.ask(contest, member, now=timezone.now()):
        messages.error(request, "Entries have closed here, so there is no deadline to be reminded of.")
    elif wishes.is_unwanted(member, DEADLINE_NEAR):
        messages.warning(
            request,
            "You switched reminders off on the page of your letters. Switch them on there; none comes now.",
        )
    else:
        messages.success(request, "You will be reminded by a letter.")
    return redirect("contests:contest", slug=slug)


@require_safe
def dates(request: HttpRequest, slug: str) -> HttpResponse:
    """The contest's dates for a calendar."""
    contest = access.contest_for(request.user, slug)
    address = reverse("contests:contest", args=[contest.slug])
    return to_save(
        calendar_of(contest, address=address, now=timezone.now()),
        filename=f"{contest.slug}.ics",
        content_type="text/calendar; charset=utf-8",
    )


@login_required
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def enter(request: HttpRequest, slug: str) -> HttpResponse:
    """The upload page. Answers a script that asks for JSON with the same sentences."""
    contest = access.contest_for(request.user, slug)
    if request.method == "POST":
        return _take_upload(request, contest, as_member(request.user))
    return _upload_page(request, contest, EntryForm(contest), refusal=None)


def _take_upload(request: HttpRequest, contest: Contest, member: Member) -> HttpResponse:
    form = EntryForm(contest, request.POST, request.FILES)
    # The whole body has been read by now, so this is the clock at the last byte of a file that came with it.
    now = timezone.now()
    refusal = None
    if form.is_valid():
        try:
            entry = _enter(contest, member, form.cleaned_data, now)
            then = redirect("contests:entry", receipt=entry.receipt)
            return answering.taken(request, then, receipt=entry.receipt)
        except (AudioError, EntryRefused, UploadRefused) as exc:
            refusal = str(exc)
    else:
        refusal = submissions.obstacle(contest, member, now, begun_at=resumable.earliest_begun(member))
    if answering.wants_json(request):
        return answering.refused(refusal or answering.sentences_of(form))
    return _upload_page(request, contest, form, refusal=refusal, status=422)


def _enter(contest: Contest, member: Member, filled: dict[str, Any], now: datetime) -> Entry:
    """Take the file, which came with the form or ahead of it in parts.

    Raises AudioError, EntryRefused or UploadRefused. Whoever may not enter is told before the file is read.
    """
    upload_id = filled["upload"]
    begun_at = None
    if upload_id is not None:
        if entry := submissions.made_of(upload_id, contest, member):
            return entry
        upload = resumable.finished(upload_id, member)
        begun_at = upload.opened_at
        now = submissions.moment_that_counts(contest, member, last_byte_at=upload.finished_at, now=now)
    if (refusal := submissions.obstacle(contest, member, now, begun_at=begun_at)) is not None:
        raise EntryRefused(refusal)
    return submissions.submit_entry(
        contest_id=contest.pk,
        member=member,
        received=answering.received(filled, member),
        now=now,
        begun_at=begun_at,
        note=filled["note"],
        rules_version=filled["rules_version"],
    )


def _upload_page(
    request: HttpRequest, contest: Contest, form: EntryForm, *, refusal: str | None, status: int = 200
) -> HttpResponse:
    member = as_member(request.user)
    entries = queries.live_entries(contest, member)
    page = {
        "contest": contest,
        "repair": _open_repair(contest, member),
        "form": form,
        "refusal": refusal,
        # Who has an upload under way since before the close finds the form, to end it within the grace.
        "obstacle": submissions.obstacle(
            contest, member, timezone.now(), begun_at=resumable.earliest_begun(member)
        ),
        "standing": next((entry for entry in entries if entry.state != EntryState.CHECKING), None),
        "checking": next((entry for entry in entries if entry.state == EntryState.CHECKING), None),
        "largest_bytes": settings.LARGEST_UPLOAD_BYTES,
    }
    return render(request, "contests/entering/enter.html", page, status=status)


@login_required
@never_cache
@require_safe
def my_entries(request: HttpRequest) -> HttpResponse:
    """Everything that the member entered."""
    return render(
        request, "contests/entering/my_entries.html", {"entries": queries.entries_of(as_member(request.user))}
    )


@login_required
@never_cache
@require_safe
def entry_page(request: HttpRequest, receipt: str) -> HttpResponse:
    """The entrant's own page of one upload."""
    return _entry_page(request, receipt, AnswerForm())


@login_required
@never_cache
@require_POST
def answer(request: HttpRequest, receipt: str) -> HttpResponse:
    """Keep the entrant's one answer to the host's last decision about an entry."""
    last = access.own_entry(request.user, receipt).rulings.last()
    if last is None:
        raise Http404
    form = AnswerForm(request.POST)
    if form.is_valid():
        try:
            deciding.answer(last.pk, text=form.cleaned_data["answer"], now=timezone.now())
        except AnswerRefused as exc:
            form.add_error(None, str(exc))
        else:
            messages.success(request, "Your answer is kept; the host reads it.")
            return redirect("contests:entry", receipt=receipt)
    return _entry_page(request, receipt, form, status=422)


def _entry_page(request: HttpRequest, receipt: str, form: AnswerForm, *, status: int = 200) -> HttpResponse:
    page = _status_of(request, receipt)
    entry, contest = page["entry"], page["contest"]
    rulings = list(entry.rulings.select_related("repair").order_by("-pk"))
    page |= {
        "rulings": rulings,
        "may_repair": bool(rulings) and _open_repair(contest, as_member(request.user)) == rulings[0],
        "may_answer": bool(rulings) and deciding.why_not_answer(rulings[0], contest) is None,
        "form": form,
    }
    return render(request, "contests/entering/entry.html", page, status=status)


def _open_repair(contest: Contest, member: Member) -> Ruling | None:
    """The repair that the member may send at this moment."""
    asked = repairing.asked_of(contest, member)
    return asked if asked is not None and asked.takes_a_repair(timezone.now()) else None


@login_required
@never_cache
@require_safe
def entry_status(request: HttpRequest, receipt: str) -> HttpResponse:
    """The part of the entry's page that changes, for a script to ask for again and again."""
    return render(request, "contests/entering/_status.html", _status_of(request, receipt))


def _status_of(request: HttpRequest, receipt: str) -> dict[str, Any]:
    entry = access.own_entry(request.user, receipt)
    now = timezone.now()
    is_checking = entry.state == EntryState.CHECKING
    return {
        "entry": entry,
        "contest": entry.contest,
        "measurement": None if is_checking else kept_measurement(entry.recording),
        "has_given_up": is_checking and requesting.state_of(CHECK_ENTRY, entry.pk) == JobState.FAILED,
        "is_open": entry.contest.accepts_entries(now),
        "may_withdraw": submissions.why_not_withdraw(entry, entry.contest, now) is None,
        "history": queries.history_of(entry.contest, as_member(request.user)),
    }


@login_required
@never_cache
@require_safe
def entry_receipt(request: HttpRequest, receipt: str) -> HttpResponse:
    """The signed receipt as plain text, to keep."""
    entry = access.own_entry(request.user, receipt)
    return to_save(
        signed_receipt(entry),
        filename=f"receipt-{entry.receipt}.txt",
        content_type="text/plain; charset=utf-8",
    )


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def receipts(request: HttpRequest) -> HttpResponse:
    """Where anybody can have a receipt checked. It says nothing that is not in the text that is brought."""
    form = ReceiptForm(request.POST or None)
    check = check_receipt(form.cleaned_data["receipt"]) if form.is_valid() else None
    page = {"form": form, "check": check, "key": signing.short_form(signing.public_key())}
    refused = request.method == "POST" and not (check and check.is_genuine)
    return render(request, "contests/entering/receipts.html", page, status=422 if refused else 200)


@login_required
@require_safe
def entry_file(request: HttpRequest, receipt: str) -> HttpResponseBase:
    """The entrant's own file, byte for byte as it was sent."""
    return hand_out_recording(request, access.own_entry(request.user, receipt).recording)


@login_required
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def withdraw(request: HttpRequest, receipt: str) -> HttpResponse:
    """Say what is lost, and on a POST do it."""
    entry = access.own_entry(request.user, receipt)
    now = timezone.now()
    refusal = submissions.why_not_withdraw(entry, entry.contest, now)
    if request.method == "POST":
        try:
            submissions.withdraw_entry(entry=entry, now=now)
        except EntryRefused as exc:
            refusal = str(exc)
        else:
            messages.success(request, f"{entry.recording.original_name} is withdrawn from {entry.contest}.")
            return redirect("contests:entry", receipt=entry.receipt)
    live = queries.live_entries(entry.contest, as_member(request.user))
    others = [other for other in live if other.pk != entry.pk]
    page = {"entry": entry, "contest": entry.contest, "refusal": refusal, "others": others}
    return render(
        request, "contests/entering/withdraw.html", page, status=422 if request.method == "POST" else 200
    )
