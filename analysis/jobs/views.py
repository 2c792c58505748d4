"""Two addresses for whoever watches the site."""

from __future__ import annotations

from django.http import HttpRequest, JsonResponse
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe

from analysis.jobs import health


@require_safe
@never_cache
def live(request: HttpRequest) -> JsonResponse:
    """The process answers."""
    return JsonResponse({"live": True})


@require_safe
@never_cache
def ready(request: HttpRequest) -> JsonResponse:
    """Everything that the site leans on is there; 503 and the reason when something is not."""
    found = health.findings()
    is_ready = all(finding.is_good for finding in found)
    words = {finding.name: {"good": finding.is_good, "words": finding.words} for finding in found}
    return JsonResponse({"ready": is_ready, "checks": words}, status=200 if is_ready else 503)
