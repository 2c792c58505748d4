"""A member's pages of practising: versions, reports, the booth with its notes, progress."""

from __future__ import annotations

from typing import Any

from django.conf import settings
from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import Http404, HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from academy.members.access import as_member
from academy.members.models import Member
from academy.packs.models import StemPack
from academy.practice import (
    access,
    asking,
    booths,
    deleting,
    exporting,
    noting,
    queries,
    reading,
    reporting,
    submitting,
)
from academy.practice.asking import AskRefused
from academy.practice.forms import AnswerForm, MixForm, NoteForm, QuestionForm
from academy.practice.models import PracticeMix
from academy.practice.noting import NoteRefused
from academy.practice.submitting import MixRefused
from analysis.audiofile import AudioError
from analysis.intake import answering
from analysis.intake.delivery import hand_out_recording, to_save
from analysis.intake.resumable.refusals import UploadRefused
from analysis.listening import segments


@login_required
@never_cache
@require_safe
def mine(request: HttpRequest) -> HttpResponse:
    """Every pack that the member may practise on, with the versions so far."""
    lines = queries.practices_listed(as_member(request.user), timezone.now())
    return render(request, "academy/practice/mine.html", {"lines": lines})


@login_required
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def pack(request: HttpRequest, slug: str) -> HttpResponse:
    """Versions on one pack, and the way to send the next. A script that asks for JSON gets the same words."""
    now, member = timezone.now(), as_member(request.user)
    if request.method == "POST":
        return _take_upload(request, access.pack_to_practise(member, slug, now), member)
    return _pack_page(request, access.pack_practised(member, slug, now), member, MixForm())


def _take_upload(request: HttpRequest, pack: StemPack, member: Member) -> HttpResponse:
    form = MixForm(request.POST, request.FILES)
    refusal = None
    if form.is_valid():
        try:
            mix = _submit(pack, member, form.cleaned_data)
            return answering.taken(request, redirect("practice:mix", mix.code))
        except (AudioError, MixRefused, UploadRefused) as exc:
            refusal = str(exc)
    if answering.wants_json(request):
        return answering.refused(refusal or answering.sentences_of(form))
    return _pack_page(request, pack, member, form, refusal=refusal, status=422)


def _submit(pack: StemPack, member: Member, filled: dict[str, Any]) -> PracticeMix:
    """Take the file, which came with the form or ahead of it in parts.

    Raises AudioError, MixRefused or UploadRefused. Whoever has no room left is told before the file is read.
    """
    upload_id = filled["upload"]
    if upload_id is not None and (made := submitting.made_of(upload_id, pack, member)):
        return made
    if (refusal := submitting.obstacle(pack, member)) is not None:
        raise MixRefused(refusal)
    received = answering.received(filled, member)
    return submitting.submit_mix(
        pack=pack, member=member, received=received, remark=filled["remark"], now=timezone.now()
    )


def _pack_page(
    request: HttpRequest,
    pack: StemPack,
    member: Member,
    form: MixForm,
    *,
    refusal: str | None = None,
    status: int = 200,
) -> HttpResponse:
    is_open = access.hears_the_teachers(member, pack, timezone.now())
    page = {
        "pack": pack,
        "form": form,
        "refusal": refusal,
        "is_open": is_open,
        "obstacle": submitting.obstacle(pack, member) if is_open else submitting.NOT_OPEN,
        "lines": queries.version_lines(pack, member),
        "largest_bytes": settings.LARGEST_UPLOAD_BYTES,
    }
    return render(request, "academy/practice/pack.html", page, status=status)


@login_required
@never_cache
@require_safe
def mix(request: HttpRequest, code: str) -> HttpResponse:
    """One version and its report."""
    found = access.mix_for(request.user, code)
    return render(request, "academy/practice/mix.html", _mix_context(request, found))


@login_required
@never_cache
@require_safe
def mix_status(request: HttpRequest, code: str) -> HttpResponse:
    """The part of a version's page that changes while it is measured, for a script to ask for."""
    found = access.mix_for(request.user, code)
    return render(request, "academy/practice/_status.html", _status(found) | {"is_fresh": True})


def _status(mix: PracticeMix) -> dict[str, Any]:
    return {
        "mix": mix,
        "has_given_up": reporting.has_given_up(mix),
        "is_made_anew": reporting.is_made_anew(mix),
    }


def _mix_context(
    request: HttpRequest, mix: PracticeMix, question: QuestionForm | None = None
) -> dict[str, Any]:
    member, now = as_member(request.user), timezone.now()
    is_own = mix.practice.member_id == member.pk
    context = _status(mix) | {
        "practice": mix.practice,
        "pack": mix.practice.pack,
        "is_own": is_own,
        "report": reading.read(mix),
        "around": queries.around(mix),
        "notes_open": mix.notes.filter(answers=None, resolved_at=None).count(),
        "share_url": queries.share_url(mix),
    }
    if is_own:
        context |= {
            "allowance": asking.allowance_of(member, now),
            "ask_obstacle": asking.obstacle(mix, member, now),
            "question": question or QuestionForm(),
        }
    return context | {"asked": getattr(mix, "feedback_request", None)}


@login_required
@never_cache
@require_safe
def export(request: HttpRequest, code: str) -> HttpResponse:
    """The report as JSON, to keep."""
    found = access.mix_for(request.user, code)
    told = exporting.report_json(found)
    if told is None:
        raise Http404
    name = f"{found.practice.pack.slug}-version-{found.number}.json"
    return to_save(told, filename=name, content_type="application/json; charset=utf-8")


@login_required
@require_safe
def file(request: HttpRequest, code: str) -> HttpResponseBase:
    """The member's own file, byte for byte as it was sent."""
    return hand_out_recording(request, access.own_mix(request.user, code).recording)


@require_POST
@login_required
def again(request: HttpRequest, code: str) -> HttpResponse:
    """Have the report made again: after trouble of ours, or with another reference mix or other sections."""
    found = access.mix_for(request.user, code)
    reporting.request_again(found)
    return redirect("practice:mix", found.code)


@login_required
@never_cache
@require_safe
def progress(request: HttpRequest, code: str) -> HttpResponse:
    """What moved towards the reference over the versions, and what away."""
    found = access.mix_for(request.user, code)
    page = {"mix": found, "practice": found.practice, "pack": found.practice.pack}
    page["progress"] = reading.progress_of(found.practice)
    return render(request, "academy/practice/progress.html", page)


@require_POST
@login_required
def ask(request: HttpRequest, code: str) -> HttpResponse:
    """Ask the teacher about a version."""
    found = access.own_mix(request.user, code)
    form = QuestionForm(request.POST)
    if form.is_valid():
        try:
            asking.ask(
                mix=found,
                member=as_member(request.user),
                question=form.cleaned_data["question"],
                now=timezone.now(),
            )
        except AskRefused as exc:
            form.add_error(None, str(exc))
        else:
            messages.success(request, "The teacher has been asked. The notes will be beside the booth.")
            return redirect("practice:mix", found.code)
    return render(request, "academy/practice/mix.html", _mix_context(request, found, form), status=422)


@require_POST
@login_required
def share(request: HttpRequest, code: str) -> HttpResponse:
    """Make the link under which anybody may hear this version, or withdraw it."""
    found = access.own_mix(request.user, code)
    if "withdraw" in request.POST:
        deleting.withdraw_share(found)
        messages.success(request, "The link is withdrawn; it leads nowhere now.")
    else:
        deleting.share(found)
        messages.success(request, "Whoever has the link below can hear this version and read its report.")
    return redirect("practice:mix", found.code)


@login_required
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def delete(request: HttpRequest, code: str) -> HttpResponse:
    """Say what is lost, and on a POST do it."""
    found = access.own_mix(request.user, code)
    if request.method == "POST":
        deleting.delete_mix(found)
        messages.success(
            request, f"Version {found.number} is deleted. Its audio and its copies are being removed."
        )
        return redirect("practice:pack", found.practice.pack.slug)
    page = {"mix": found, "pack": found.practice.pack, "notes": found.notes.count()}
    return render(request, "academy/practice/delete.html", page)


@login_required
@never_cache
@require_safe
def booth(request: HttpRequest, code: str) -> HttpResponse:
    """The booth with this version, the reference, the plain sum and the other versions; and the notes."""
    found = access.mix_for(request.user, code)
    booths.open_booth(found.practice)
    return _booth_page(request, found, NoteForm())


def _booth_page(request: HttpRequest, mix: PracticeMix, form: NoteForm, *, status: int = 200) -> HttpResponse:
    state, member = booths.state_of(mix.practice), as_member(request.user)
    hears = access.hears_the_teachers(member, mix.practice.pack, timezone.now())
    page = {
        "mix": mix,
        "pack": mix.practice.pack,
        "practice": mix.practice,
        "booth_state": state,
        "is_own": mix.practice.member_id == member.pk,
        "hears_the_teachers": hears,
        "threads": queries.threads_of(mix),
        "form": form,
        "answer": AnswerForm(auto_id=False),
        "asked": getattr(mix, "feedback_request", None),
    }
    if state.word == "ready":
        page["booth_set"] = booths.booth_set(mix.practice, first=mix, with_the_teachers=hears)
        page["is_in_the_set"] = booths.holds(mix.practice, mix)
    return render(request, "academy/practice/booth.html", page, status=status)


@login_required
@never_cache
@require_safe
def booth_status(request: HttpRequest, code: str) -> HttpResponse:
    """The part of the booth's page that says how far its set is, for a script to ask for."""
    found = access.mix_for(request.user, code)
    page = {"mix": found, "booth_state": booths.state_of(found.practice), "is_fresh": True}
    return render(request, "academy/practice/_booth_state.html", page)


@require_POST
@login_required
def write_note(request: HttpRequest, code: str) -> HttpResponse:
    """Put a note at a time of the version."""
    found = access.mix_for(request.user, code)
    form = NoteForm(request.POST)
    if form.is_valid():
        try:
            noting.write_note(
                mix=found, author=as_member(request.user), now=timezone.now(), **form.cleaned_data
            )
        except NoteRefused as exc:
            form.add_error(None, str(exc))
        else:
            return redirect(f"{_booth_address(found)}#notes")
    return _booth_page(request, found, form, status=422)


@require_POST
@login_required
def answer_note(request: HttpRequest, note_id: int) -> HttpResponse:
    """Put an answer under a note."""
    note = access.note_for(request.user, note_id)
    form = AnswerForm(request.POST)
    if form.is_valid():
        try:
            noting.answer_note(
                note=note, author=as_member(request.user), text=form.cleaned_data["text"], now=timezone.now()
            )
        except NoteRefused as exc:
            messages.error(request, str(exc))
    else:
        messages.error(request, " ".join(str(errors[0]) for errors in form.errors.values()))
    return redirect(f"{_booth_address(note.mix)}#note-{note.answers_id or note.pk}")


@require_POST
@login_required
def resolve_note(request: HttpRequest, note_id: int) -> HttpResponse:
    """Mark a note as done with, or open it again."""
    note = access.note_for(request.user, note_id)
    noting.set_resolved(note, resolved="open" not in request.POST, now=timezone.now())
    return redirect(f"{_booth_address(note.mix)}#note-{note.pk}")


@require_POST
@login_required
def take_back_note(request: HttpRequest, note_id: int) -> HttpResponse:
    """Remove a note of one's own, with what was answered."""
    note = access.note_for(request.user, note_id)
    try:
        noting.take_back(note, member=as_member(request.user))
    except NoteRefused as exc:
        messages.error(request, str(exc))
    return redirect(f"{_booth_address(note.mix)}#notes")


@require_safe
def segment(request: HttpRequest, copy_id: int, index: int) -> HttpResponseBase:
    """Hand out one segment of a copy in a set that the person may hear."""
    copy = access.copy_for(request.user, copy_id, timezone.now())
    return segments.hand_out(request, copy, index, seat_key=str(copy.pk))


@never_cache
@require_safe
def shared(request: HttpRequest, share_code: str) -> HttpResponse:
    """A version that its member shows to whoever has the link: its report, and itself in the booth."""
    found = access.shared_mix(share_code)
    booths.open_booth(found.practice)
    page = {
        "mix": found,
        "pack": found.practice.pack,
        "report": reading.read(found),
        "booth_set": booths.shared_set(found),
    }
    response = render(request, "academy/practice/shared.html", page)
    response["X-Robots-Tag"] = "noindex"  # a link for some people, not for everybody
    return response


@require_safe
def shared_segment(request: HttpRequest, share_code: str, copy_id: int, index: int) -> HttpResponseBase:
    """Hand out one segment of a shared version."""
    copy = access.shared_copy(share_code, copy_id)
    return segments.hand_out(request, copy, index, seat_key=share_code)


def _booth_address(mix: PracticeMix) -> str:
    return redirect("practice:booth", mix.code).url
