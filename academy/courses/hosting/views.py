"""The desk of the courses: all of them, one of them, its publishing, and previews."""

from __future__ import annotations

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.utils.http import url_has_allowed_host_and_scheme
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from academy.courses import authoring, publishing
from academy.courses.checklist import checklist, missing
from academy.courses.hosting.access import hosted_course
from academy.courses.hosting.forms import CourseForm, ScheduleForm, sent
from academy.courses.models import Course
from academy.courses.previewing import choose_preview
from academy.courses.refusals import CourseRefused
from academy.members.access import imagined_people
from academy.members.guards import hosts_page
from academy.templatetags.audio_text import moment

page_with_form = require_http_methods(["GET", "HEAD", "POST"])


@hosts_page
@require_safe
def hosting(request: HttpRequest) -> HttpResponse:
    """Every course, with its state."""
    now = timezone.now()
    courses = [(course, course.state(now)) for course in Course.objects.prefetch_related("lessons")]
    return render(request, "academy/courses/hosting/list.html", {"courses": courses})


@hosts_page
@page_with_form
def new(request: HttpRequest) -> HttpResponse:
    """Begin a course."""
    form = CourseForm(*sent(request))
    if request.method == "POST" and form.is_valid():
        try:
            course = authoring.create_course(**form.cleaned_data)
        except CourseRefused as exc:
            form.add_error("title", str(exc))
        else:
            messages.success(request, f"{course} is begun, as a draft. Put lessons in next.")
            return redirect("courses:hosted_course", course.slug)
    page = {"form": form, "course": None}
    return render(
        request, "academy/courses/hosting/course_form.html", page, status=422 if form.errors else 200
    )


@hosts_page
@require_safe
def desk(request: HttpRequest, slug: str) -> HttpResponse:
    """One course: its lessons in order, what is missing, and how to publish it."""
    return _desk(request, hosted_course(slug))


@hosts_page
@page_with_form
def edit(request: HttpRequest, slug: str) -> HttpResponse:
    """Change what the course says of itself."""
    course = hosted_course(slug)
    form = CourseForm(request.POST) if request.method == "POST" else CourseForm.of(course)
    if request.method == "POST" and form.is_valid():
        authoring.change_course(course, **form.cleaned_data)
        messages.success(request, "The course is changed.")
        return redirect("courses:hosted_course", course.slug)
    page = {"form": form, "course": course}
    return render(
        request, "academy/courses/hosting/course_form.html", page, status=422 if form.errors else 200
    )


@hosts_page
@page_with_form
def remove(request: HttpRequest, slug: str) -> HttpResponse:
    """Say what is lost when a draft is removed, and on a POST do it."""
    course = hosted_course(slug)
    refusal = ""
    if request.method == "POST":
        try:
            authoring.remove_course(course)
        except CourseRefused as exc:
            refusal = str(exc)
        else:
            messages.success(request, f"{course} is removed.")
            return redirect("courses:hosting")
    page = {
        "course": course,
        "trail": course,
        "what": f"the course {course}",
        "loss": _loss(course.lessons.count()),
        "refusal": refusal,
    }
    return render(request, "academy/courses/hosting/remove.html", page, status=422 if refusal else 200)


def _loss(lessons: int) -> str:
    few = {0: "It has no lesson yet.", 1: "Its lesson goes with it, with all that is in it."}
    return few.get(lessons, f"Its {lessons} lessons go with it, with all that is in them.")


@hosts_page
@require_POST
def publish(request: HttpRequest, slug: str) -> HttpResponse:
    """Let everybody see the course."""
    course = hosted_course(slug)
    try:
        publishing.publish(course, now=timezone.now())
    except CourseRefused as exc:
        return _desk(request, course, refusal=str(exc))
    messages.success(request, f"{course} is published.")
    return redirect("courses:hosted_course", slug)


@hosts_page
@require_POST
def schedule(request: HttpRequest, slug: str) -> HttpResponse:
    """Let the course appear at a time."""
    course = hosted_course(slug)
    form = ScheduleForm(request.POST)
    if not form.is_valid():
        return _desk(request, course, schedule_form=form)
    try:
        publishing.schedule(course, at=form.cleaned_data["publish_at"], now=timezone.now())
    except CourseRefused as exc:
        return _desk(request, course, refusal=str(exc), schedule_form=form)
    messages.success(request, f"{course} appears by itself on {moment(course.publish_at)}.")
    return redirect("courses:hosted_course", slug)


@hosts_page
@require_POST
def take_back(request: HttpRequest, slug: str) -> HttpResponse:
    """Make the course a draft again."""
    course = hosted_course(slug)
    publishing.take_back(course)
    messages.success(request, f"{course} is a draft again; only hosts see it.")
    return redirect("courses:hosted_course", slug)


@hosts_page
@require_POST
def preview(request: HttpRequest) -> HttpResponse:
    """See the courses through other eyes from now on, or, with none chosen, through the own ones again."""
    word = request.POST.get("as", "")
    choose_preview(request, word if word in imagined_people() else "")
    wanted = request.POST.get("next", "")
    is_ours = url_has_allowed_host_and_scheme(wanted, {request.get_host()}, require_https=request.is_secure())
    return redirect(wanted if is_ours else "courses:list")


def _desk(
    request: HttpRequest, course: Course, *, refusal: str = "", schedule_form: ScheduleForm | None = None
) -> HttpResponse:
    now = timezone.now()
    course.refresh_from_db()
    points = checklist(course)
    page = {
        "course": course,
        "state": course.state(now),
        "now": now,
        "lessons": list(course.lessons.select_related("tier", "recording", "excerpt")),
        "points": points,
        "lacks": bool(missing(points)),
        "previews": imagined_people(),
        "refusal": refusal,
        "schedule_form": schedule_form or ScheduleForm.of(course),
    }
    is_refused = bool(refusal or schedule_form)
    return render(request, "academy/courses/hosting/desk.html", page, status=422 if is_refused else 200)
