"""What the booth plays beside the copies, and the page on which a browser tests itself."""

from __future__ import annotations

import tempfile
from pathlib import Path

from django.conf import settings
from django.http import Http404, HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import render
from django.views.decorators.http import require_safe

from analysis.intake import delivery, keeping
from analysis.listening.noise import address_of_level, write_level_noise


@require_safe
def noise(request: HttpRequest, level: str) -> HttpResponseBase:
    """The level-setting noise at `level` LUFS, made at the first request and kept.

    A level has one address: whatever else reads as the same number would keep the same file again.
    """
    level_lufs = float(level)
    if address_of_level(level_lufs) != level:
        raise Http404
    key = f"noise/{level}"
    if not keeping.shelf().exists(key):
        with tempfile.TemporaryDirectory(dir=settings.INCOMING_DIR) as folder:
            path = Path(folder) / "noise.flac"
            write_level_noise(path, level_lufs)
            kept = keeping.keep(path, key=key)
        if kept != key:  # somebody asked at the same moment, and was first
            keeping.discard(kept)
    return delivery.hand_out(
        request,
        key,
        size_bytes=keeping.shelf().size(key),
        etag=f"noise{level}",
        content_type="audio/flac",
        cache_control="public, max-age=86400",
    )


@require_safe
def self_test(request: HttpRequest) -> HttpResponse:
    """The page on which any browser shows whether it plays joins and switches exactly."""
    return render(request, "listening/selftest.html")
