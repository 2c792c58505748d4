"""Hand files out over HTTP: kept bytes, whole or in ranges, and what was made now. `access` comes first."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import IO
from urllib.parse import quote

from django.conf import settings
from django.http import HttpRequest, HttpResponse, HttpResponseBase, StreamingHttpResponse
from django.utils.http import content_disposition_header

from analysis.intake import keeping
from analysis.intake.models import Recording

BLOCK_BYTES = 256 * 1024
ONE_RANGE = re.compile(r"bytes=([0-9]{0,18})-([0-9]{0,18})")  # beyond any file, and read as no number


def hand_out(
    request: HttpRequest,
    key: str,
    *,
    size_bytes: int,
    etag: str,
    content_type: str = "application/octet-stream",
    filename: str | None = None,
    cache_control: str = "private, no-store",
    may_hand_on: bool = False,
) -> HttpResponseBase:
    """Answer GET or HEAD with the bytes under a key.

    One byte range is honoured (RFC 9110, clause 14); `If-Range` with another ETag gets the whole, so that two
    versions are never spliced. Several ranges in one request get the whole too, as the clause allows.
    A `filename` makes it an attachment. With `may_hand_on` the front server or the bucket may send the bytes,
    where the settings say so; they tell when a file was written, so nothing blind is handed on.
    """
    headers = {
        "Cache-Control": cache_control,
        "X-Content-Type-Options": "nosniff",
    }
    if filename is not None:
        headers["Content-Disposition"] = _attachment(filename)
    if may_hand_on and (handed_on := _handed_on(request, key, content_type, etag, headers)) is not None:
        return handed_on
    span = asked_span(request, size_bytes=size_bytes, etag=etag)
    if span is None:
        refused = HttpResponse(status=416)
        refused["Content-Range"] = f"bytes */{size_bytes}"
        return refused
    start, length = span
    is_part = _asked_range(request, etag) is not None
    body = _read(key, start, length) if request.method == "GET" else iter(())
    response = StreamingHttpResponse(
        body, status=206 if is_part else 200, content_type=content_type, headers=headers
    )
    response["Content-Length"] = str(length)
    response["Accept-Ranges"] = "bytes"
    response["ETag"] = f'"{etag}"'
    if is_part:
        response["Content-Range"] = f"bytes {start}-{start + length - 1}/{size_bytes}"
    return response


def to_save(content: str | bytes, *, filename: str, content_type: str) -> HttpResponse:
    """Answer with what was made just now, as a file to save under the name given."""
    response = HttpResponse(content, content_type=content_type)
    response["Content-Disposition"] = _attachment(filename)
    return response


def _attachment(filename: str) -> str:
    return content_disposition_header(True, filename) or "attachment"


def hand_out_recording(
    request: HttpRequest, recording: Recording, *, filename: str | None = None
) -> HttpResponseBase:
    """Answer with a recording, byte for byte as it was sent, under its own name unless another is given."""
    return hand_out(
        request,
        recording.storage_key,
        size_bytes=recording.size_bytes,
        etag=recording.sha256,
        filename=filename or recording.original_name,
    )


def asked_span(
    request: HttpRequest, *, size_bytes: int, etag: str, may_hand_on: bool = False
) -> tuple[int, int] | None:
    """First byte and number of bytes that a request gets; None where its range lies outside.

    A bucket that sends the bytes itself has marks of its own, so what it makes of `If-Range` is not known
    here: such a request is taken to go on where its range begins, and to get all that it might.
    """
    asked = _asked_range(request, etag)
    is_judged_elsewhere = may_hand_on and _does_bucket_send() and "If-Range" in request.headers
    if asked is None and is_judged_elsewhere:
        asked = _asked_range(request, None)
    if asked is None:
        return 0, size_bytes
    found = _within(asked, size_bytes)
    if found is None:
        return None
    return found[0], size_bytes if is_judged_elsewhere else found[1] - found[0] + 1


def _does_bucket_send() -> bool:
    return settings.SIGNED_ADDRESSES and not settings.INTERNAL_REDIRECT and keeping.can_sign()


def _handed_on(
    request: HttpRequest, key: str, content_type: str, etag: str, headers: dict[str, str]
) -> HttpResponseBase | None:
    """An answer that has the bytes sent by somebody else: ranges and all. None where nobody is set up to.

    A folder's front server finds them below the prefix of INTERNAL_REDIRECT, by the header X-Accel-Redirect,
    and keeps our type, disposition and caching, and our ETag where it is told to. A bucket's signed address
    holds for ten minutes.
    """
    if settings.INTERNAL_REDIRECT:
        response = HttpResponse(content_type=content_type, headers=headers)
        response["X-Accel-Redirect"] = f"{settings.INTERNAL_REDIRECT.rstrip('/')}/{quote(key)}"
        response["ETag"] = f'"{etag}"'
        return response
    if not _does_bucket_send() or request.method != "GET":  # a signature is for one method
        return None
    wanted = {"ResponseContentType": content_type, "ResponseCacheControl": headers["Cache-Control"]}
    if "Content-Disposition" in headers:
        wanted["ResponseContentDisposition"] = headers["Content-Disposition"]
    address = keeping.signed_address(key, wanted)
    return HttpResponse(status=302, headers={"Location": address, "Cache-Control": "no-store"})


def _asked_range(request: HttpRequest, etag: str | None) -> tuple[str, str] | None:
    """The range of a request, where its `If-Range` allows it; without an ETag, whatever that says."""
    match = ONE_RANGE.fullmatch(request.headers.get("Range", ""))
    if request.method != "GET":  # clause 14.2: no other method knows ranges
        return None
    condition = request.headers.get("If-Range") if etag is not None else None
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
