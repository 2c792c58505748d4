"""The desk of a lesson's demos."""

from __future__ import annotations

from django.conf import settings
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_POST

from academy.courses import demonstrating
from academy.courses.demonstrating import DemoRefused
from academy.courses.hosting.access import hosted_demo, hosted_lesson
from academy.courses.hosting.forms import DemoForm, VariantForm, sent
from academy.courses.models import Demo
from academy.members.access import require_host
from academy.members.guards import hosts_page
from analysis.audiofile import AudioError
from analysis.intake import answering
from analysis.intake.resumable.refusals import UploadRefused

page_with_form = require_http_methods(["GET", "HEAD", "POST"])


@hosts_page
@page_with_form
def demos(request: HttpRequest, slug: str, lesson_slug: str) -> HttpResponse:
    """The demos of a lesson, and one more."""
    lesson = hosted_lesson(slug, lesson_slug)
    form = DemoForm(*sent(request))
    if request.method == "POST" and form.is_valid():
        made = Demo.objects.create(lesson=lesson, **form.cleaned_data)
        messages.success(request, f"{made} is begun. Put its variants in.")
        return redirect("courses:hosted_demo", slug, lesson_slug, made.pk)
    kept = lesson.demos.select_related("plan").prefetch_related("variants").order_by("pk")
    page = {
        "course": lesson.course,
        "lesson": lesson,
        "form": form,
        "demos": [(one, demonstrating.state_of(one)) for one in kept],
    }
    return render(request, "academy/courses/hosting/demos.html", page, status=422 if form.errors else 200)


@hosts_page
@page_with_form
def demo(request: HttpRequest, slug: str, lesson_slug: str, demo_id: int) -> HttpResponse:
    """One demo: its variants, and one more."""
    found = hosted_demo(hosted_lesson(slug, lesson_slug), demo_id)
    form = VariantForm(*sent(request))
    if request.method == "POST" and form.is_valid():
        try:
            _add_variant(request, found, form)
        except (AudioError, DemoRefused, UploadRefused) as exc:
            form.add_error("file", str(exc))
        else:
            messages.success(request, f"{form.cleaned_data['label']} is in.")
            return answering.taken(request, redirect("courses:hosted_demo", slug, lesson_slug, demo_id))
    if form.errors and answering.wants_json(request):
        return answering.refused(answering.sentences_of(form))
    return _demo_page(request, found, form=form)


@hosts_page
@require_POST
def prepare(request: HttpRequest, slug: str, lesson_slug: str, demo_id: int) -> HttpResponse:
    """Have the variants measured and brought to one loudness."""
    found = hosted_demo(hosted_lesson(slug, lesson_slug), demo_id)
    try:
        demonstrating.request_preparation(found)
    except DemoRefused as exc:
        return _demo_page(request, found, refusal=str(exc))
    messages.success(request, "The demo is being prepared.")
    return redirect("courses:hosted_demo", slug, lesson_slug, demo_id)


@hosts_page
@require_POST
def remove(request: HttpRequest, slug: str, lesson_slug: str, demo_id: int) -> HttpResponse:
    """Take a demo out of the lesson."""
    found = hosted_demo(hosted_lesson(slug, lesson_slug), demo_id)
    demonstrating.remove_demo(found)
    messages.success(request, f"The demo {found} is taken away.")
    return redirect("courses:hosted_demos", slug, lesson_slug)


@hosts_page
@require_POST
def remove_variant(
    request: HttpRequest, slug: str, lesson_slug: str, demo_id: int, variant_id: int
) -> HttpResponse:
    """Take a variant out of a demo."""
    found = hosted_demo(hosted_lesson(slug, lesson_slug), demo_id)
    variant = get_object_or_404(found.variants, pk=variant_id)
    try:
        demonstrating.remove_variant(variant)
    except DemoRefused as exc:
        return _demo_page(request, found, refusal=str(exc))
    messages.success(request, f"{variant} is taken out.")
    return redirect("courses:hosted_demo", slug, lesson_slug, demo_id)


def _add_variant(request: HttpRequest, found: Demo, form: VariantForm) -> None:
    """Take the file in. Raises AudioError, DemoRefused or UploadRefused, with nothing kept."""
    filled, host = form.cleaned_data, require_host(request.user)
    demonstrating.take_variant(
        found,
        answering.received(filled, host),
        owner=host,
        now=timezone.now(),
        label=filled["label"],
        is_exaggerated=filled["is_exaggerated"],
    )


def _demo_page(
    request: HttpRequest, found: Demo, *, form: VariantForm | None = None, refusal: str = ""
) -> HttpResponse:
    variants = list(found.variants.select_related("recording"))
    state = demonstrating.state_of(found)
    page = {
        "course": found.lesson.course,
        "lesson": found.lesson,
        "demo": found,
        "demo_state": state,
        "may_change": found.plan_id is None and state.word != "waiting",
        "variants": variants,
        "is_full": len(variants) >= len(demonstrating.LETTERS),
        "form": form or VariantForm(),
        "refusal": refusal,
        "largest_bytes": settings.LARGEST_UPLOAD_BYTES,
    }
    is_refused = bool(refusal or (form and form.errors))
    return render(request, "academy/courses/hosting/demo.html", page, status=422 if is_refused else 200)
