"""The protocol over HTTP: each view calls one service and answers in the protocol's headers."""

from __future__ import annotations

import socket
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import wraps
from http import HTTPStatus
from uuid import UUID

from django.conf import settings
from django.contrib.auth.base_user import AbstractBaseUser
from django.http import HttpRequest, HttpResponse, JsonResponse, UnreadablePostError
from django.urls import reverse
from django.utils import timezone
from django.utils.http import http_date

from analysis.intake.models import Upload
from analysis.intake.resumable import appending, ending, headers, opening, rows
from analysis.intake.resumable.refusals import UploadRefused

BLOCK_BYTES = 256 * 1024
SILENCE_S = 20.0
"""A line that brings nothing for so long counts as broken; else a sleeping laptop would keep its own lock."""

View = Callable[..., HttpResponse]


def _in_protocol(**answers: View) -> View:
    """One address that answers each of the given methods, and OPTIONS, as the protocol asks."""
    allowed = ", ".join([*answers, "OPTIONS"])

    def answer(request: HttpRequest, **where: UUID) -> HttpResponse:
        method = request.method
        if method == "POST":  # only there: that request has passed the check for forged ones
            method = request.headers.get("X-HTTP-Method-Override", method)
        if method == "OPTIONS":
            return _offer(allowed)
        if method not in answers:
            raise UploadRefused(HTTPStatus.METHOD_NOT_ALLOWED, f"This address takes {allowed}.")
        if request.headers.get("Tus-Resumable") != headers.VERSION:
            raise UploadRefused(
                HTTPStatus.PRECONDITION_FAILED,
                f"Uploads here go by tus {headers.VERSION}; say so in Tus-Resumable.",
            )
        if not request.user.is_authenticated:
            raise UploadRefused(
                HTTPStatus.FORBIDDEN,
                "You are not signed in. Sign in, and the upload goes on where it stopped.",
            )
        return answers[method](request, **where)

    @wraps(answer)
    def view(request: HttpRequest, **where: UUID) -> HttpResponse:
        try:
            response = answer(request, **where)
        except UploadRefused as refusal:
            response = HttpResponse(
                refusal.message, status=refusal.status, content_type="text/plain; charset=utf-8"
            )
            if refusal.status == HTTPStatus.METHOD_NOT_ALLOWED:
                response["Allow"] = allowed
            if refusal.status == HTTPStatus.PRECONDITION_FAILED:
                response["Tus-Version"] = headers.VERSION
        response["Tus-Resumable"] = headers.VERSION
        response["Cache-Control"] = "no-store"
        return response

    return view


def _offer(allowed: str) -> HttpResponse:
    response = HttpResponse(status=HTTPStatus.NO_CONTENT)
    response["Allow"] = allowed
    response["Tus-Version"] = headers.VERSION
    response["Tus-Extension"] = headers.EXTENSIONS
    response["Tus-Checksum-Algorithm"] = headers.CHECKSUMS
    response["Tus-Max-Size"] = str(settings.LARGEST_UPLOAD_BYTES)
    return response


def _create(request: HttpRequest) -> HttpResponse:
    upload = opening.open_upload(
        owner=_owner(request),
        size_bytes=headers.byte_count("Upload-Length", request.headers.get("Upload-Length")),
        metadata=request.headers.get("Upload-Metadata", ""),
        now=timezone.now(),
    )
    response = HttpResponse(status=HTTPStatus.CREATED)
    response["Location"] = reverse("uploads:one", kwargs={"upload_id": upload.pk})
    return _dated(response, upload)


def _list(request: HttpRequest) -> HttpResponse:
    """The member's own uploads under way, newest first: beyond the protocol, for a page to tidy up."""
    under_way = Upload.objects.filter(owner_id=_owner(request).pk).order_by("-last_byte_at")
    return JsonResponse(
        {
            "uploads": [
                {
                    "address": reverse("uploads:one", kwargs={"upload_id": upload.pk}),
                    "name": upload.original_name,
                    "size_bytes": upload.size_bytes,
                    "offset_bytes": upload.offset_bytes,
                    "expires_at": rows.expires_at(upload).isoformat(),
                }
                for upload in under_way
            ]
        }
    )


def _tell(request: HttpRequest, upload_id: UUID) -> HttpResponse:
    upload = rows.own(upload_id, _owner(request), now=timezone.now())
    response = HttpResponse()
    response["Upload-Offset"] = str(upload.offset_bytes)
    response["Upload-Length"] = str(upload.size_bytes)
    if upload.metadata:
        response["Upload-Metadata"] = upload.metadata
    return _dated(response, upload)


def _append(request: HttpRequest, upload_id: UUID) -> HttpResponse:
    if request.content_type != headers.CHUNK_TYPE:
        raise UploadRefused(
            HTTPStatus.UNSUPPORTED_MEDIA_TYPE, f"The bytes of an upload come as {headers.CHUNK_TYPE}."
        )
    if not request.headers.get("Content-Length"):
        raise UploadRefused(HTTPStatus.LENGTH_REQUIRED, "Say in Content-Length how many bytes are coming.")
    announced_bytes = headers.byte_count("Content-Length", request.headers["Content-Length"])
    with _no_endless_silence(request):
        upload = appending.append(
            upload_id,
            owner=_owner(request),
            offset_bytes=headers.byte_count("Upload-Offset", request.headers.get("Upload-Offset")),
            announced_bytes=announced_bytes,
            blocks=_blocks(request),
            checksum=headers.checksum(request.headers.get("Upload-Checksum")),
        )
    response = HttpResponse(status=HTTPStatus.NO_CONTENT)
    response["Upload-Offset"] = str(upload.offset_bytes)
    return _dated(response, upload)


def _throw_away(request: HttpRequest, upload_id: UUID) -> HttpResponse:
    ending.throw_away(upload_id, owner=_owner(request), now=timezone.now())
    return HttpResponse(status=HTTPStatus.NO_CONTENT)


def _owner(request: HttpRequest) -> AbstractBaseUser:
    assert isinstance(request.user, AbstractBaseUser)
    return request.user


def _dated(response: HttpResponse, upload: Upload) -> HttpResponse:
    """Say when an unfinished upload expires ("Expiration")."""
    if upload.finished_at is None:
        response["Upload-Expires"] = http_date(rows.expires_at(upload).timestamp())
    return response


def _blocks(request: HttpRequest) -> Iterator[bytes]:
    """The body in blocks, as far as it comes: a line that breaks is the end of it."""
    try:
        while block := request.read(BLOCK_BYTES):
            yield block
    except UnreadablePostError:
        return


@contextmanager
def _no_endless_silence(request: HttpRequest) -> Iterator[None]:
    line = request.META.get("gunicorn.socket")  # other servers have a limit of their own, or none
    if not isinstance(line, socket.socket):
        yield
        return
    before = line.gettimeout()
    line.settimeout(SILENCE_S)
    try:
        yield
    finally:
        line.settimeout(before)


uploads = _in_protocol(GET=_list, POST=_create)
upload = _in_protocol(HEAD=_tell, PATCH=_append, DELETE=_throw_away)
