"""Take a ZIP archive that arrived by upload into a pack: every track of it becomes a stem, or none does."""

from __future__ import annotations

import tempfile
from datetime import datetime
from functools import partial
from pathlib import Path
from uuid import UUID

from django.conf import settings
from django.db import Error as DatabaseTrouble
from django.db import transaction
from django.utils import timezone

from academy.members.models import Member
from academy.packs import auditing, importing, publishing, zipreading
from academy.packs.models import StemPack, Unpacking, UnpackingState
from academy.packs.refusals import PackRefused
from academy.packs.zipreading import Contents, Track, ZipRefused
from analysis.audiofile import AudioError
from analysis.intake import keeping, sealing
from analysis.intake.resumable import ending, taking
from analysis.intake.resumable.places import place
from analysis.intake.resumable.refusals import UploadRefused
from analysis.intake.sealing import Received
from analysis.jobs import requesting
from analysis.jobs.claiming import Claim

UNPACK = "unpack_stems"


def request_unpacking(pack: StemPack, upload_id: UUID, *, owner: Member, now: datetime) -> Unpacking:
    """Have a finished upload unpacked. Asking again for the same upload changes nothing.

    Raises UploadRefused where it is not there or has not arrived whole.
    """
    known = Unpacking.objects.filter(pack=pack, upload_id=upload_id, owner=owner).first()
    if known is not None:
        return known
    upload = taking.finished(upload_id, owner)
    with transaction.atomic():
        asked = Unpacking.objects.create(
            pack=pack, owner=owner, upload_id=upload_id, original_name=upload.original_name, asked_at=now
        )
        requesting.request(UNPACK, asked.pk)
    return asked


def unpack(claim: Claim) -> None:
    """Unpack the archive that the claim names. A refused one leaves nothing behind but its sentence."""
    asked = Unpacking.objects.select_related("pack", "owner").get(pk=claim.subject)
    if asked.state != UnpackingState.WAITING:
        return
    received: list[tuple[str, Received]] = []
    try:
        with (
            place().held(asked.upload_id) as hold,
            hold.whole() as path,
            zipreading.opened(path, largest_bytes=settings.LARGEST_UPLOAD_BYTES) as contents,
        ):
            _receive(contents, asked, received)
        with claim.finishing():
            _put_in(asked, received)
            ending.use_up(asked.upload_id)
            asked.state = UnpackingState.TAKEN
            asked.lines = _remarks(contents.left_out)
            asked.save()
        return
    except (ZipRefused, PackRefused) as refused:
        trouble = str(refused)
    except UploadRefused as refused:
        trouble = refused.message
    except DatabaseTrouble:
        raise  # perhaps it took the commit and only its answer is missing: then the stems have these bytes
    except BaseException:
        _let_go(received)
        raise
    _let_go(received)
    with claim.finishing():
        asked.state, asked.lines = UnpackingState.REFUSED, [trouble]
        asked.save()
    try:
        ending.throw_away(asked.upload_id, owner=asked.owner, now=timezone.now())
    except UploadRefused:  # it is gone already
        pass


def _receive(contents: Contents, asked: Unpacking, received: list[tuple[str, Received]]) -> None:
    """Take each track in, in the order of their names. Raises ZipRefused for the first that is no good."""
    tracks = {Path(track.name): track for track in contents.tracks}
    names = importing.stem_names(importing.in_counting_order(tracks))
    Unpacking.objects.filter(pk=asked.pk).update(total=len(names))
    for done, (path, name) in enumerate(names.items(), start=1):
        try:
            received.append((name, _received(contents, tracks[path])))
        except AudioError as error:
            raise ZipRefused(f"“{path.name}” cannot be taken, so nothing was: {error.message}") from error
        Unpacking.objects.filter(pk=asked.pk).update(done=done)
    asked.done = asked.total = len(names)


def _received(contents: Contents, track: Track) -> Received:
    with tempfile.TemporaryDirectory(dir=settings.INCOMING_DIR) as folder:
        path = Path(folder) / "track"
        with path.open("xb") as file:
            for block in contents.blocks_of(track):
                file.write(block)
        return sealing.receive_whole(path, name=track.name, keep=partial(keeping.adopt, path))


def _put_in(asked: Unpacking, received: list[tuple[str, Received]]) -> None:
    now = timezone.now()
    for name, one in received:
        publishing.add_stem(asked.pack, one, name=name, owner=asked.owner, now=now)
    auditing.request_audit(asked.pack)


def _remarks(left_out: list[str]) -> list[str]:
    return [f"“{name}” is no sound file and was left out." for name in left_out]


def _let_go(received: list[tuple[str, Received]]) -> None:
    for _, one in received:
        sealing.let_go(one)
