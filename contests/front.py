"""The front page: what is taught, and which contests run."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.views.decorators.http import require_safe

from academy.courses.access import viewer_of
from academy.courses.queries import courses_listed
from academy.packs.queries import packs_listed
from contests.queries import contests_listed

SHOWN_OF_EACH = 4


@require_safe
def front(request: HttpRequest) -> HttpResponse:
    """Show courses, packs and contests to whoever comes."""
    context = {
        "courses": courses_listed(viewer_of(request.user, timezone.now()))[:SHOWN_OF_EACH],
        "packs": packs_listed(request.user)[:SHOWN_OF_EACH],
        "contests": contests_listed(request.user, timezone.now())[:SHOWN_OF_EACH],
    }
    return render(request, "contests/front.html", context)
