"""The desk of one lesson: its text, its place, its attachments."""

from __future__ import annotations

from pathlib import Path

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_POST

from academy.courses import attaching, authoring
from academy.courses.hosting.access import hosted_attachment, hosted_course, hosted_lesson
from academy.courses.hosting.forms import AttachmentForm, LessonForm, SheetsForm, sent
from academy.courses.models import CourseState
from academy.courses.refusals import CourseRefused
from academy.members.guards import hosts_page

page_with_form = require_http_methods(["GET", "HEAD", "POST"])


@hosts_page
@page_with_form
def new(request: HttpRequest, slug: str) -> HttpResponse:
    """Write a lesson. In a course that is out already it is kept back until the host lets it go."""
    course = hosted_course(slug)
    is_out = course.state(timezone.now()) != CourseState.DRAFT
    form = LessonForm(*sent(request), initial={"is_kept_back": is_out})
    if request.method == "POST" and form.is_valid():
        try:
            lesson = authoring.create_lesson(course, form.written())
        except CourseRefused as exc:
            form.add_error("title", str(exc))
        else:
            messages.success(request, f"{lesson} is written. A recording, captions and demos can follow.")
            return redirect("courses:hosted_lesson", slug, lesson.slug)
    page = {"course": course, "form": form}
    return render(
        request, "academy/courses/hosting/new_lesson.html", page, status=422 if form.errors else 200
    )


@hosts_page
@page_with_form
def edit(request: HttpRequest, slug: str, lesson_slug: str) -> HttpResponse:
    """Change a lesson's text, and see what belongs to it."""
    lesson = hosted_lesson(slug, lesson_slug)
    form = LessonForm(request.POST) if request.method == "POST" else LessonForm.of(lesson)
    if request.method == "POST" and form.is_valid():
        authoring.change_lesson(lesson, form.written())
        messages.success(request, "The lesson is changed.")
        return redirect("courses:hosted_lesson", slug, lesson.slug)
    page = {
        "course": lesson.course,
        "lesson": lesson,
        "form": form,
        "chapter_count": len(lesson.chapters.splitlines()),
        "captions": list(lesson.captions.all()),
        "demo_count": lesson.demos.count(),
        "attachment_count": lesson.attachments.count(),
        "sheets": list(lesson.sheets.all()),
    }
    return render(request, "academy/courses/hosting/lesson.html", page, status=422 if form.errors else 200)


@hosts_page
@require_POST
def move(request: HttpRequest, slug: str, lesson_slug: str) -> HttpResponse:
    """Move the lesson up or down by one."""
    steps = {"up": -1, "down": 1}
    lesson = hosted_lesson(slug, lesson_slug)
    if request.POST.get("to") not in steps:
        raise Http404
    authoring.move_lesson(lesson, by=steps[request.POST["to"]])
    return redirect("courses:hosted_course", slug)


@hosts_page
@page_with_form
def remove(request: HttpRequest, slug: str, lesson_slug: str) -> HttpResponse:
    """Say what is lost when a lesson is removed, and on a POST do it."""
    lesson = hosted_lesson(slug, lesson_slug)
    if request.method == "POST":
        authoring.remove_lesson(lesson)
        messages.success(request, f"{lesson} is removed.")
        return redirect("courses:hosted_course", slug)
    page = {
        "course": lesson.course,
        "trail": lesson,
        "what": f"the lesson {lesson}",
        "loss": "Its text, recording, captions, demos and attachments go, and every member’s progress in it.",
    }
    return render(request, "academy/courses/hosting/remove.html", page)


@hosts_page
@page_with_form
def sheets(request: HttpRequest, slug: str, lesson_slug: str) -> HttpResponse:
    """Which recall sheets the lesson shows."""
    lesson = hosted_lesson(slug, lesson_slug)
    form = SheetsForm(*sent(request), initial={"sheets": lesson.sheets.all()})
    if request.method == "POST" and form.is_valid():
        authoring.show_sheets(lesson, form.cleaned_data["sheets"])
        shown = lesson.sheets.count()
        messages.success(
            request, f"The lesson shows {shown or 'no'} recall sheet{'' if shown == 1 else 's'}."
        )
        return redirect("courses:hosted_lesson", slug, lesson_slug)
    page = {"course": lesson.course, "lesson": lesson, "form": form}
    return render(request, "academy/courses/hosting/sheets.html", page, status=422 if form.errors else 200)


@hosts_page
@page_with_form
def attachments(request: HttpRequest, slug: str, lesson_slug: str) -> HttpResponse:
    """What members may take home, and one more."""
    lesson = hosted_lesson(slug, lesson_slug)
    form = AttachmentForm(*sent(request))
    if request.method == "POST" and form.is_valid():
        file = form.cleaned_data["file"]
        try:
            attaching.attach(
                lesson,
                Path(file.temporary_file_path()),
                name=file.name,
                title=form.cleaned_data["title"],
                now=timezone.now(),
            )
        except CourseRefused as exc:
            form.add_error("file", str(exc))
        else:
            messages.success(request, f"{form.cleaned_data['title']} is attached.")
            return redirect("courses:hosted_attachments", slug, lesson_slug)
    page = {
        "course": lesson.course,
        "lesson": lesson,
        "form": form,
        "attachments": list(lesson.attachments.all()),
    }
    status = 422 if form.errors else 200
    return render(request, "academy/courses/hosting/attachments.html", page, status=status)


@hosts_page
@require_POST
def detach(request: HttpRequest, slug: str, lesson_slug: str, attachment_id: int) -> HttpResponse:
    """Take an attachment away."""
    attachment = hosted_attachment(hosted_lesson(slug, lesson_slug), attachment_id)
    attaching.detach(attachment)
    messages.success(request, f"{attachment} is taken away.")
    return redirect("courses:hosted_attachments", slug, lesson_slug)
