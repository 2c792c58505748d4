"""Pages of the courses."""

from __future__ import annotations

from django.http import Http404, HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import render
from django.utils import timezone
from django.views.decorators.http import require_safe

from academy.courses import access, demonstrating, queries
from academy.courses.models import Demo, Lesson
from analysis.listening import segments


@require_safe
def course_list(request: HttpRequest) -> HttpResponse:
    """Show every course there is."""
    return render(request, "academy/courses/list.html", {"courses": queries.courses_listed(request.user)})


@require_safe
def course(request: HttpRequest, slug: str) -> HttpResponse:
    """Show one course: its lessons in order, each open or locked."""
    found = access.course_for(request.user, slug)
    outline = queries.outline_of(found, request.user, timezone.now())
    return render(request, "academy/courses/course.html", {"course": found, "lines": outline.lines})


@require_safe
def lesson(request: HttpRequest, slug: str, lesson_slug: str) -> HttpResponse:
    """Show one lesson; a locked one shows what it is about and what opens it."""
    found = access.course_for(request.user, slug)
    outline = queries.outline_of(found, request.user, timezone.now())
    line = outline.line_of(lesson_slug)
    if line is None:
        raise Http404
    context = {
        "course": found,
        "line": line,
        "lesson": line.lesson,
        "before": outline.before(line),
        "after": outline.after(line),
    }
    if line.is_open:
        context |= _demo_context(line.lesson, request.GET.get("demo", ""))
    return render(request, "academy/courses/lesson.html", context)


@require_safe
def demo_state(request: HttpRequest, demo_id: int) -> HttpResponse:
    """The part of a lesson that says how far its demo is, for the page to refresh itself."""
    demo = access.demo_for(request.user, demo_id, timezone.now())
    context = {"demo": demo, "demo_state": demonstrating.state_of(demo), "is_fresh": True}
    return render(request, "academy/courses/demo_state.html", context)


@require_safe
def segment(request: HttpRequest, code: str, index: int) -> HttpResponseBase:
    """Hand out one segment of a demo's listening copy."""
    variant = access.variant_for(request.user, code, timezone.now())
    copy = demonstrating.copy_of(variant)
    if copy is None:
        raise Http404
    return segments.hand_out(request, copy, index, seat_key=variant.code)


def _demo_context(of: Lesson, wanted: str) -> dict[str, object]:
    """The demos of a lesson, and the chosen one: a page has one booth, so that one thing sounds at a time."""
    demos: list[Demo] = list(of.demos.select_related("plan").order_by("pk"))
    chosen = next((demo for demo in demos if str(demo.pk) == wanted), demos[0] if demos else None)
    if chosen is None:
        return {"demos": []}
    state = demonstrating.state_of(chosen)
    context: dict[str, object] = {"demos": demos, "demo": chosen, "demo_state": state}
    if state.word == "ready":
        context["booth_set"] = demonstrating.booth_set(chosen)
    return context
