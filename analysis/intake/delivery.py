"""Hand out kept bytes over HTTP, whole or in ranges. Whoever calls has already asked `access`."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import IO

from django.http import HttpRequest, HttpResponse, HttpResponseBase, StreamingHttpResponse
from django.utils.http import content_disposition_header

from analysis.intake import keeping

BLOCK_BYTES = 256 * 1024
ONE_RANGE = re.compile(r"^bytes=(\d*)-(\d*)$")


def hand_out(
    request: HttpRequest,
    key: str,
    *,
    size_bytes: int,
    etag: str,
    content_type: str = "application/octet-stream",
    filename: str | None = None,
    cache_control: str = "private, no-store",
) -> HttpResponseBase:
    """Answer GET or HEAD with the bytes under a key.

    One byte range is honoured (RFC 9110, clause 14); `If-Range` with another ETag gets the whole, so that two
    versions are never spliced. Several ranges in one request get the whole too, as the clause allows.
    A `filename` makes it an attachment.
    """
    start, end = 0, size_bytes - 1
    status = 200
    asked = _asked_range(request, etag)
    if asked is not None:
        found = _within(asked, size_bytes)
        if found is None:
            refused = HttpResponse(status=416)
            refused["Content-Range"] = f"bytes */{size_bytes}"
            return refused
        start, end = found
        status = 206

    length = end - start + 1
    body = _read(key, start, length) if request.method == "GET" else iter(())
    response = StreamingHttpResponse(body, status=status, content_type=content_type)
    response["Content-Length"] = str(length)
    response["Accept-Ranges"] = "bytes"
    response["ETag"] = f'"{etag}"'
    response["Cache-Control"] = cache_control
    response["X-Content-Type-Options"] = "nosniff"
    if status == 206:
        response["Content-Range"] = f"bytes {start}-{end}/{size_bytes}"
    if filename is not None:
        response["Content-Disposition"] = content_disposition_header(True, filename) or "attachment"
    return response


def _asked_range(request: HttpRequest, etag: str) -> tuple[str, str] | None:
    match = ONE_RANGE.match(request.headers.get("Range", ""))
    if request.method != "GET":  # clause 14.2: no other method knows ranges
        return None
    condition = request.headers.get("If-Range")
    if match is None or match.groups() == ("", "") or (condition and condition != f'"{etag}"'):
        return None
    first, last = match.groups()
    if first and last and int(last) < int(first):  # invalid, hence ignored (clause 14.1.1)
        return None
    return first, last


def _within(asked: tuple[str, str], size_bytes: int) -> tuple[int, int] | None:
    """First and last byte of the range, or None when it lies outside."""
    first, last = asked
    if not first:  # the last so many bytes
        wanted = min(int(last), size_bytes)
        return (size_bytes - wanted, size_bytes - 1) if wanted else None
    start = int(first)
    end = min(int(last), size_bytes - 1) if last else size_bytes - 1
    return (start, end) if start <= end else None


def _read(key: str, start: int, length: int) -> Iterator[bytes]:
    file: IO[bytes]
    with keeping.opened(key) as file:
        file.seek(start)
        while length > 0:
            block = file.read(min(BLOCK_BYTES, length))
            if not block:
                return
            length -= len(block)
            yield block
