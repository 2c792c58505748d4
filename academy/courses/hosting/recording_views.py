"""The desk of a lesson's recording: the file, its free part, chapters and captions."""

from __future__ import annotations

from pathlib import Path

from django.conf import settings
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from academy.courses import captioning, recordings
from academy.courses import chapters as chapter_texts
from academy.courses.chapters import ChaptersRefused, read_chapters
from academy.courses.containers import MediaRefused
from academy.courses.hosting.access import hosted_lesson
from academy.courses.hosting.forms import (
    CaptionsForm,
    ChaptersForm,
    ExcerptForm,
    FreePartForm,
    RecordingForm,
    sent,
)
from academy.courses.models import Lesson
from academy.courses.playing import named
from academy.courses.recordings import ReceivedMedia
from academy.courses.refusals import CourseRefused
from academy.courses.webvtt import CaptionsRefused
from academy.members.access import require_host
from academy.members.guards import hosts_page
from analysis.intake import answering
from analysis.intake.forms import SentFileForm
from analysis.intake.resumable.refusals import UploadRefused

page_with_form = require_http_methods(["GET", "HEAD", "POST"])


@hosts_page
@page_with_form
def recording(request: HttpRequest, slug: str, lesson_slug: str) -> HttpResponse:
    """The lesson's audio or video file."""
    lesson = hosted_lesson(slug, lesson_slug)
    form = RecordingForm(*sent(request))
    if request.method == "POST" and form.is_valid():
        try:
            recordings.set_recording(lesson, _received(request, form), now=timezone.now())
        except (MediaRefused, UploadRefused) as exc:
            form.add_error("file", str(exc))
        else:
            messages.success(request, "The recording is in.")
            return answering.taken(request, redirect("courses:hosted_recording", slug, lesson_slug))
    if form.errors and answering.wants_json(request):
        return answering.refused(answering.sentences_of(form))
    return _recording_page(request, hosted_lesson(slug, lesson_slug), form=form)


@hosts_page
@require_POST
def remove(request: HttpRequest, slug: str, lesson_slug: str) -> HttpResponse:
    """Take the recording away."""
    recordings.remove_recording(hosted_lesson(slug, lesson_slug))
    messages.success(request, "The recording is taken away.")
    return redirect("courses:hosted_recording", slug, lesson_slug)


@hosts_page
@require_POST
def free_part(request: HttpRequest, slug: str, lesson_slug: str) -> HttpResponse:
    """Say which part everybody may hear: by its times where it can be cut here, else as a file of its own."""
    lesson = hosted_lesson(slug, lesson_slug)
    is_cut_here = lesson.recording is not None and recordings.is_cuttable(lesson.recording)
    form = FreePartForm(request.POST) if is_cut_here else ExcerptForm(request.POST, request.FILES)
    if form.is_valid():
        try:
            if isinstance(form, FreePartForm):
                recordings.set_free_part(lesson, **form.cleaned_data)
            else:
                received = _received(request, form)
                recordings.set_excerpt(
                    lesson, received, from_s=form.cleaned_data["from_s"], now=timezone.now()
                )
        except (CourseRefused, MediaRefused, UploadRefused) as exc:
            form.add_error(None, str(exc))
        else:
            messages.success(request, "The free part is noted.")
            return answering.taken(request, redirect("courses:hosted_recording", slug, lesson_slug))
    if answering.wants_json(request):
        return answering.refused(answering.sentences_of(form))
    return _recording_page(request, hosted_lesson(slug, lesson_slug), part_form=form)


@hosts_page
@require_safe
def free_part_state(request: HttpRequest, slug: str, lesson_slug: str) -> HttpResponse:
    """How far the cut is, for the page to refresh itself."""
    lesson = hosted_lesson(slug, lesson_slug)
    page = {"lesson": lesson, "part_state": recordings.free_part_state(lesson)}
    return render(request, "academy/courses/hosting/free_part_state.html", page)


@hosts_page
@require_POST
def remove_free_part(request: HttpRequest, slug: str, lesson_slug: str) -> HttpResponse:
    """Let nothing of the recording be free."""
    recordings.remove_free_part(hosted_lesson(slug, lesson_slug))
    messages.success(request, "Nothing of the recording is free now.")
    return redirect("courses:hosted_recording", slug, lesson_slug)


@hosts_page
@page_with_form
def chapters(request: HttpRequest, slug: str, lesson_slug: str) -> HttpResponse:
    """The chapters, typed as text."""
    lesson = hosted_lesson(slug, lesson_slug)
    form = ChaptersForm(*sent(request), initial={"chapters": lesson.chapters})
    if request.method == "POST" and form.is_valid():
        length_s = lesson.recording.length_s if lesson.recording else None
        try:
            found = read_chapters(form.cleaned_data["chapters"], length_s=length_s)
        except ChaptersRefused as exc:
            for sentence in exc.sentences:
                form.add_error("chapters", sentence)
        else:
            lesson.chapters = chapter_texts.written(found)
            lesson.save(update_fields=["chapters"])
            messages.success(request, f"{len(found)} chapter{' is' if len(found) == 1 else 's are'} noted.")
            return redirect("courses:hosted_chapters", slug, lesson_slug)
    page = {"course": lesson.course, "lesson": lesson, "form": form}
    return render(request, "academy/courses/hosting/chapters.html", page, status=422 if form.errors else 200)


@hosts_page
@page_with_form
def captions(request: HttpRequest, slug: str, lesson_slug: str) -> HttpResponse:
    """The captions there are, and one more language."""
    lesson = hosted_lesson(slug, lesson_slug)
    form = CaptionsForm(*sent(request))
    if request.method == "POST" and form.is_valid():
        raw = form.cleaned_data["file"].read(captioning.LARGEST_BYTES + 1)
        try:
            kept = captioning.set_captions(lesson, raw, language=form.cleaned_data["language"])
        except CaptionsRefused as exc:
            for sentence in exc.sentences:
                form.add_error("file", sentence)
        else:
            lines = kept.lines.count()
            messages.success(
                request, f"The captions are in, {lines} line{'' if lines == 1 else 's'} of words."
            )
            return redirect("courses:hosted_captions", slug, lesson_slug)
    page = {
        "course": lesson.course,
        "lesson": lesson,
        "form": form,
        "captions": [(one, named(one.language), one.lines.count()) for one in lesson.captions.all()],
    }
    return render(request, "academy/courses/hosting/captions.html", page, status=422 if form.errors else 200)


@hosts_page
@require_POST
def remove_captions(request: HttpRequest, slug: str, lesson_slug: str, language: str) -> HttpResponse:
    """Take the captions of one language away."""
    captioning.remove_captions(hosted_lesson(slug, lesson_slug), language)
    messages.success(request, f"The captions in {named(language)} are taken away.")
    return redirect("courses:hosted_captions", slug, lesson_slug)


def _received(request: HttpRequest, form: SentFileForm) -> ReceivedMedia:
    """The file, which came ahead in parts or with the form. Raises MediaRefused or UploadRefused."""
    upload_id, file = form.cleaned_data["upload"], form.cleaned_data["file"]
    if upload_id is not None:
        return recordings.take(upload_id, require_host(request.user))
    return recordings.receive(Path(file.temporary_file_path()), name=file.name)


def _recording_page(
    request: HttpRequest,
    lesson: Lesson,
    *,
    form: RecordingForm | None = None,
    part_form: FreePartForm | ExcerptForm | None = None,
) -> HttpResponse:
    is_cut_here = lesson.recording is not None and recordings.is_cuttable(lesson.recording)
    page = {
        "course": lesson.course,
        "lesson": lesson,
        "form": form or RecordingForm(),
        "part_form": part_form or (FreePartForm.of(lesson) if is_cut_here else ExcerptForm()),
        "is_cut_here": is_cut_here,
        "part_state": recordings.free_part_state(lesson),
        "largest_bytes": settings.LARGEST_UPLOAD_BYTES,
    }
    is_refused = any(one is not None and one.errors for one in (form, part_form))
    return render(request, "academy/courses/hosting/recording.html", page, status=422 if is_refused else 200)
