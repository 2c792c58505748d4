"""Hand out one segment of a listening copy. Whoever calls has already asked `access`."""

from __future__ import annotations

from django.http import Http404, HttpRequest, HttpResponseBase
from django.utils.crypto import salted_hmac

from analysis.intake import delivery, keeping
from analysis.listening.models import CopyState, ListeningCopy


def segment_key(copy: ListeningCopy, index: int) -> str:
    """Where a segment lies on the shelf."""
    return f"{copy.folder_key}/{index:05d}"


def hand_out(request: HttpRequest, copy: ListeningCopy, index: int, *, seat_key: str) -> HttpResponseBase:
    """Answer with segment `index` of the copy; 404 outside it or while it is not ready.

    The ETag is keyed to the seat and says nothing of the recording; there is no date and no name.
    """
    if copy.state != CopyState.READY or not 0 <= index < copy.segment_count:
        raise Http404
    key = segment_key(copy, index)
    return delivery.hand_out(
        request,
        key,
        size_bytes=keeping.shelf().size(key),
        etag=salted_hmac("listening segment", f"{seat_key} {index}").hexdigest()[:32],
        content_type="audio/flac",
    )
