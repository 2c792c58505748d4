"""Pages of the courses."""

from __future__ import annotations

from django.contrib.auth.decorators import login_required
from django.http import Http404, HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.http import require_POST, require_safe

from academy.courses import access, demonstrating, following, playing, queries
from academy.courses import free_part as free_parts
from academy.courses.access import Viewer
from academy.courses.models import Demo, Lesson, MediaFile
from academy.courses.previewing import chosen_preview
from academy.recall.showing import sheet_context
from analysis.intake.delivery import hand_out
from analysis.listening import segments


@require_safe
def course_list(request: HttpRequest) -> HttpResponse:
    """Show every course there is."""
    viewer = _viewer(request)
    listed = [(course, course.state(viewer.now)) for course in queries.courses_listed(viewer)]
    return render(request, "academy/courses/list.html", {"listed": listed, "viewer": viewer})


@require_safe
def course(request: HttpRequest, slug: str) -> HttpResponse:
    """Show one course: its lessons in order, each open or locked, and where to go on."""
    viewer = _viewer(request)
    found = access.course_for(viewer, slug)
    page = {
        "viewer": viewer,
        "course": found,
        "state": found.state(viewer.now),
        "outline": queries.outline_of(found, viewer),
    }
    return render(request, "academy/courses/course.html", page)


@require_safe
def search(request: HttpRequest, slug: str) -> HttpResponse:
    """Find words that are spoken in the lessons that the viewer may follow."""
    viewer = _viewer(request)
    found = access.course_for(viewer, slug)
    wanted = request.GET.get("words", "").strip()[:100]
    page = {
        "viewer": viewer,
        "course": found,
        "wanted": wanted,
        "hits": [(line, line.start_ms / 1000) for line in queries.words_heard(found, viewer, wanted)],
        "most": queries.MOST_HITS,
    }
    return render(request, "academy/courses/search.html", page)


@require_safe
def lesson(request: HttpRequest, slug: str, lesson_slug: str) -> HttpResponse:
    """Show one lesson; a locked one shows what it is about, its free part, and what opens it."""
    viewer = _viewer(request)
    found = access.lesson_for(viewer, slug, lesson_slug)
    outline = queries.outline_of(found.course, viewer)
    line = outline.line_of(lesson_slug)
    if line is None:
        raise Http404
    at_s = _seconds(request.GET.get("t", ""))
    context: dict[str, object] = {
        "viewer": viewer,
        "course": found.course,
        "line": line,
        "lesson": found,
        "text": free_parts.whole_text(found.text) if line.is_open else free_parts.free_text(found.text),
        "player": playing.player_of(
            found, is_open=line.is_open, at_s=line.position_s if at_s is None else at_s
        ),
        "is_resumed": at_s is None and line.position_s > 0,
        "before": outline.before(line),
        "after": outline.after(line),
    }
    if line.is_open:
        context["attachments"] = list(found.attachments.all())
        context["sheets"] = list(filter(None, map(sheet_context, found.sheets.all())))
        context |= _demo_context(found, request.GET.get("demo", ""))
    return render(request, "academy/courses/lesson.html", context)


@require_safe
def recording(request: HttpRequest, slug: str, lesson_slug: str) -> HttpResponseBase:
    """Hand out the whole recording to whom the lesson is open."""
    return _played(request, access.open_lesson_for(_viewer(request), slug, lesson_slug).recording)


@require_safe
def free_part(request: HttpRequest, slug: str, lesson_slug: str) -> HttpResponseBase:
    """Hand out the free part of a recording, a file of its own."""
    return _played(request, access.lesson_for(_viewer(request), slug, lesson_slug).excerpt)


@require_safe
def captions(request: HttpRequest, slug: str, lesson_slug: str, language: str) -> HttpResponse:
    """Hand out captions: all of them, or those of the free part."""
    viewer = _viewer(request)
    found = access.lesson_for(viewer, slug, lesson_slug)
    is_open = viewer.may_follow(found)
    kept = found.captions.filter(language=language).first()
    if kept is None or (not is_open and found.excerpt is None):
        raise Http404
    kept.lesson = found
    response = HttpResponse(
        playing.captions_text(kept, is_open=is_open), content_type="text/vtt; charset=utf-8"
    )
    response["Cache-Control"] = "private, no-store"
    return response


@require_safe
def attachment(request: HttpRequest, slug: str, lesson_slug: str, attachment_id: int) -> HttpResponseBase:
    """Hand out one attachment, to be saved."""
    found = access.open_lesson_for(_viewer(request), slug, lesson_slug)
    kept = get_object_or_404(found.attachments, pk=attachment_id)
    return hand_out(
        request,
        kept.storage_key,
        size_bytes=kept.size_bytes,
        etag=kept.sha256,
        content_type=kept.content_type,
        filename=kept.original_name,
    )


@login_required
@require_POST
def position(request: HttpRequest, slug: str, lesson_slug: str) -> HttpResponse:
    """Keep where the member is in the recording; a script sends it now and then."""
    viewer = _viewer(request)
    found = access.open_lesson_for(viewer, slug, lesson_slug)
    position_s = _seconds(request.POST.get("position_s", ""))
    if position_s is None:
        return HttpResponse("Say in position_s where you are, in seconds.", status=422)
    if viewer.follower:
        following.keep_position(viewer.follower, found, position_s=position_s, now=viewer.now)
    return HttpResponse(status=204)


@login_required
@require_POST
def finished(request: HttpRequest, slug: str, lesson_slug: str) -> HttpResponse:
    """Note that the member is through with the lesson, or, with `not`, that it is to be done again."""
    viewer = _viewer(request)
    found = access.open_lesson_for(viewer, slug, lesson_slug)
    if viewer.follower:
        following.set_finished(viewer.follower, found, is_finished="not" not in request.POST, now=viewer.now)
    return redirect("courses:lesson", slug, lesson_slug)


@require_safe
def demo_state(request: HttpRequest, demo_id: int) -> HttpResponse:
    """The part of a lesson that says how far its demo is, for the page to refresh itself."""
    demo = access.demo_for(_viewer(request), demo_id)
    context = {"demo": demo, "demo_state": demonstrating.state_of(demo), "is_fresh": True}
    return render(request, "academy/courses/demo_state.html", context)


@require_safe
def segment(request: HttpRequest, code: str, index: int) -> HttpResponseBase:
    """Hand out one segment of a demo's listening copy."""
    variant = access.variant_for(_viewer(request), code)
    copy = demonstrating.copy_of(variant)
    if copy is None:
        raise Http404
    return segments.hand_out(request, copy, index, seat_key=variant.code)


def _viewer(request: HttpRequest) -> Viewer:
    return access.viewer_of(request.user, timezone.now(), preview=chosen_preview(request))


def _played(request: HttpRequest, media: MediaFile | None) -> HttpResponseBase:
    if media is None:
        raise Http404
    return hand_out(
        request,
        media.storage_key,
        size_bytes=media.size_bytes,
        etag=media.sha256,
        content_type=media.content_type,
    )


def _seconds(text: str) -> float | None:
    """A time that a browser sent; None for what is no such number."""
    try:
        seconds = float(text)
    except ValueError:
        return None
    return seconds if 0 <= seconds < 1e6 else None


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
