"""Files that come to the desk: a stem, a whole ZIP archive, another take of a stem, the reference mix."""

from __future__ import annotations

from collections.abc import Callable
from http import HTTPStatus
from pathlib import Path
from uuid import UUID

from django.contrib import messages
from django.core.files.uploadedfile import UploadedFile
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_POST

from academy.members.access import require_host
from academy.members.guards import hosts_page
from academy.packs import access, arranging, auditing, importing, publishing, unpacking
from academy.packs.hosting import showing_desk
from academy.packs.models import StemPack
from academy.packs.refusals import PackRefused
from analysis.audiofile import AudioError
from analysis.intake import answering, sealing
from analysis.intake.resumable import arriving, taking
from analysis.intake.resumable.refusals import UploadRefused
from analysis.intake.sealing import Received

Use = Callable[[Received], str]
"""What is made of a file that was taken; returns what to say about it."""

NO_FILE = "Choose a WAV or FLAC file first."


@hosts_page
@require_POST
def add(request: HttpRequest, slug: str) -> HttpResponse:
    """Put a file on the desk as its next stem, or have an archive of stems unpacked."""
    pack = access.pack_on_desk(request.user, slug)
    owner = require_host(request.user)
    if _name_of(request).lower().endswith(".zip"):
        return _add_archive(request, pack)

    def use(received: Received) -> str:
        name = importing.short_name(Path(received.original_name), pack)
        stem = publishing.add_stem(pack, received, name=name, owner=owner, now=timezone.now())
        auditing.request_audit(pack)
        return f"“{stem.name}” is on the desk."

    return _take(request, pack, use)


@hosts_page
@require_POST
def replace(request: HttpRequest, slug: str, stem_id: int) -> HttpResponse:
    """Put another recording in a stem's place."""
    pack = access.pack_on_desk(request.user, slug)
    owner = require_host(request.user)
    stem = access.stem_on_desk(pack, stem_id)

    def use(received: Received) -> str:
        arranging.replace_stem(stem, received, owner=owner, now=timezone.now())
        return f"“{stem.name}” has a new recording."

    return _take(request, pack, use)


@hosts_page
@require_POST
def reference(request: HttpRequest, slug: str) -> HttpResponse:
    """Take the host's own mix."""
    pack = access.pack_on_desk(request.user, slug)
    owner = require_host(request.user)

    def use(received: Received) -> str:
        publishing.set_reference_mix(pack, received, owner=owner, now=timezone.now())
        return "The reference mix is in place."

    return _take(request, pack, use)


def _take(request: HttpRequest, pack: StemPack, use: Use) -> HttpResponse:
    """Take the request's file, in parts before or whole in the form, and make something of it."""
    try:
        received = _received(request)
    except AudioError as exc:
        return _refused(request, pack, f"{_shown(request)}{exc.message}", HTTPStatus.UNPROCESSABLE_ENTITY)
    except UploadRefused as exc:
        return _refused(request, pack, exc.message, exc.status)
    if received is None:
        return _refused(request, pack, NO_FILE, HTTPStatus.UNPROCESSABLE_ENTITY)
    try:
        said = use(received)
    except PackRefused as exc:
        return _refused(request, pack, str(exc), HTTPStatus.UNPROCESSABLE_ENTITY)
    except UploadRefused as exc:
        return _refused(request, pack, exc.message, exc.status)
    return _done(request, pack, said)


def _add_archive(request: HttpRequest, pack: StemPack) -> HttpResponse:
    owner, now = require_host(request.user), timezone.now()
    upload_id, file = _upload_id(request), request.FILES.get("file")
    try:
        if upload_id is None and isinstance(file, UploadedFile):  # without the page's script
            upload_id = arriving.put_whole(
                file.chunks(), name=file.name or "stems.zip", size_bytes=file.size or 0, owner=owner, now=now
            )
        if upload_id is None:
            return _refused(request, pack, NO_FILE, HTTPStatus.UNPROCESSABLE_ENTITY)
        unpacking.request_unpacking(pack, upload_id, owner=owner, now=now)
    except UploadRefused as exc:
        return _refused(request, pack, exc.message, exc.status)
    return _done(request, pack, "The archive is being unpacked.")


def _received(request: HttpRequest) -> Received | None:
    upload_id = _upload_id(request)
    if upload_id is not None:
        return taking.take(upload_id, require_host(request.user))
    file = request.FILES.get("file")
    if not isinstance(file, UploadedFile):
        return None
    return sealing.receive(file.chunks(), name=file.name or "upload")


def _upload_id(request: HttpRequest) -> UUID | None:
    try:
        return UUID(request.POST.get("upload", ""))
    except ValueError:
        return None


def _name_of(request: HttpRequest) -> str:
    """The name of the file that is meant, for its ending and for sentences; it reaches no path."""
    file = request.FILES.get("file")
    return request.POST.get("name", "") or (file.name if isinstance(file, UploadedFile) else "") or ""


def _shown(request: HttpRequest) -> str:
    name = Path(_name_of(request)).name
    return f"“{name}”: " if name else ""


def _done(request: HttpRequest, pack: StemPack, said: str) -> HttpResponse:
    if not answering.wants_json(request):  # the script shows it itself
        messages.success(request, said)
    return answering.taken(request, redirect("packs:hosting:desk", pack.slug), message=said)


def _refused(request: HttpRequest, pack: StemPack, sentence: str, status: int) -> HttpResponse:
    if answering.wants_json(request):
        return answering.refused(sentence, status=status)
    return render(
        request,
        "academy/packs/hosting/desk.html",
        showing_desk.context(pack, request.user, refusal=sentence),
        status=status,
    )
