"""The recording of a lesson: taken in by the bytes it has, kept, and cut where a part of it is free."""

from __future__ import annotations

import hashlib
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from functools import partial
from pathlib import Path
from uuid import UUID

import numpy as np
from django.conf import settings
from django.db import transaction
from django.utils import timezone
from numpy.typing import NDArray

from academy.courses.containers import Found, MediaRefused, look_at
from academy.courses.models import Lesson, MediaFile
from academy.courses.refusals import CourseRefused
from academy.members.models import Member
from academy.templatetags.audio_text import duration
from analysis import audiofile
from analysis.intake import keeping
from analysis.intake.resumable import ending, refusals, taking
from analysis.intake.resumable.places import place
from analysis.intake.resumable.refusals import UploadRefused
from analysis.jobs import requesting
from analysis.jobs.claiming import Claim
from analysis.jobs.models import JobState

CUT_EXCERPT = "cut_excerpt"
LONGEST_NAME = 255
_FLAC_SUBTYPES = {"PCM_16", "PCM_24"}


@dataclass(frozen=True)
class ReceivedMedia:
    """A file that may be a lesson's recording. Its bytes are kept; no row speaks of it yet."""

    storage_key: str
    sha256: str
    size_bytes: int
    original_name: str
    found: Found
    upload_id: UUID | None = None


def receive(path: Path, *, name: str) -> ReceivedMedia:
    """Look at a file on this machine and keep a copy of it. Raises MediaRefused, with nothing kept."""
    return _received(path, name=name, keep=lambda: keeping.keep(path))


def take(upload_id: UUID, owner: Member) -> ReceivedMedia:
    """Look at a finished upload and put its bytes on the shelf. Slow: call it outside a transaction.

    Raises UploadRefused as `taking.finished` does, and 423 while another request has hold of it. Raises
    MediaRefused for a file that is none of the kinds taken; then it is thrown away.
    """
    taking.finished(upload_id, owner)
    try:
        with place().held(upload_id) as hold, hold.whole() as path:
            return _received(path, name=hold.upload.original_name, keep=hold.keep, upload_id=upload_id)
    except MediaRefused:
        ending.throw_away(upload_id, owner=owner, now=timezone.now())
        raise
    except FileNotFoundError:  # used up by another request meanwhile
        raise refusals.not_there() from None


def let_go(received: ReceivedMedia) -> None:
    """Remove the bytes of a file that is refused after all."""
    keeping.discard(received.storage_key)


def set_recording(lesson: Lesson, received: ReceivedMedia, *, now: datetime) -> None:
    """Give a lesson its recording, in place of an earlier one, whose free part goes with it.

    Raises UploadRefused, with the bytes let go, when something was made of the upload already.
    """
    with _or_let_go(received):
        _lock(lesson)
        remove_recording(lesson)
        lesson.recording = _sealed(received, now)
        lesson.save(update_fields=["recording"])


@transaction.atomic
def remove_recording(lesson: Lesson) -> None:
    """Take a lesson's recording and its free part away; nothing happens where there is none."""
    remove_free_part(lesson)
    recording, lesson.recording = lesson.recording, None
    lesson.save(update_fields=["recording"])
    _discard(recording)


@transaction.atomic
def set_free_part(lesson: Lesson, *, from_s: float, until_s: float) -> None:
    """Have the part between two times cut out for everybody. Raises CourseRefused where it cannot be."""
    _lock(lesson)
    recording = lesson.recording
    if recording is None:
        raise CourseRefused("Put a recording in first.")
    if not is_cuttable(recording):
        raise CourseRefused(
            f"A {recording.container} cannot be cut here without coding it anew. "
            "Send the free part as a file of its own."
        )
    if until_s <= from_s:
        raise CourseRefused("The free part has to end after it begins.")
    if until_s > recording.length_s:
        raise CourseRefused(
            f"The recording is {duration(recording.length_s)} long; end the free part by then."
        )
    _forget_excerpt(lesson)
    lesson.free_from_s, lesson.free_until_s = from_s, until_s
    lesson.save(update_fields=["free_from_s", "free_until_s"])
    requesting.request(CUT_EXCERPT, lesson.pk)


def set_excerpt(lesson: Lesson, received: ReceivedMedia, *, from_s: float, now: datetime) -> None:
    """Let a file of its own be the free part, which begins at `from_s` in the recording.

    Raises CourseRefused when it does not lie within the recording, and UploadRefused when something was made
    of the upload already; its bytes are then let go.
    """
    with _or_let_go(received):
        _lock(lesson)
        recording = lesson.recording
        until_s = from_s + received.found.length_s
        # Coders add a few hundredths of a second of padding.
        if recording is None or until_s > recording.length_s + 0.5:
            raise CourseRefused(
                "The free part, put there, would go on past the end of the recording. "
                "It begins where the same words are in the whole."
            )
        _forget_excerpt(lesson)
        lesson.free_from_s, lesson.free_until_s = from_s, until_s
        lesson.excerpt = _sealed(received, now)
        lesson.save(update_fields=["free_from_s", "free_until_s", "excerpt"])


@transaction.atomic
def remove_free_part(lesson: Lesson) -> None:
    """Let nothing of the recording be free."""
    _forget_excerpt(lesson)
    lesson.free_from_s = lesson.free_until_s = None
    lesson.save(update_fields=["free_from_s", "free_until_s"])


def cut_excerpt(claim: Claim) -> None:
    """Cut the free part of the lesson that the claim names, sample by sample, into a file of its own.

    A lesson that is gone, or whose free part is there, is left as it is. One whose free part was changed
    meanwhile asks for another run: its own request found this one at work.
    """
    lesson = Lesson.objects.select_related("recording").filter(pk=claim.subject).first()
    if lesson is None or lesson.recording is None or lesson.free_from_s is None or lesson.excerpt_id:
        return
    received = _cut(lesson.recording, lesson.free_from_s, lesson.free_until_s or 0.0)
    is_wanted = False
    try:
        with claim.finishing():
            waiting = Lesson.objects.filter(excerpt=None, free_from_s__isnull=False)
            still = waiting.select_for_update().filter(pk=lesson.pk).first()
            if still is not None and _asks_for(still) == _asks_for(lesson):
                still.excerpt = _sealed(received, timezone.now())
                still.save(update_fields=["excerpt"])
                is_wanted = True
            elif still is not None:
                requesting.request(CUT_EXCERPT, lesson.pk)
    finally:
        if not is_wanted:
            let_go(received)


def _asks_for(lesson: Lesson) -> tuple[object, ...]:
    """Which part of which recording is to be free."""
    return lesson.recording_id, lesson.free_from_s, lesson.free_until_s


def free_part_state(lesson: Lesson) -> str:
    """How far the free part is: `none`, `waiting`, `failed` or `ready`."""
    if lesson.free_from_s is None:
        return "none"
    if lesson.excerpt_id is not None:
        return "ready"
    return "failed" if requesting.state_of(CUT_EXCERPT, lesson.pk) == JobState.FAILED else "waiting"


def is_cuttable(media: MediaFile) -> bool:
    """Whether a part can be cut out here."""
    return Found(media.container, media.has_picture, media.length_s).is_cuttable


@contextmanager
def _or_let_go(received: ReceivedMedia) -> Iterator[None]:
    """One transaction; where it is refused, the bytes that it would have used are removed."""
    try:
        with transaction.atomic():
            yield
    except (CourseRefused, UploadRefused):
        let_go(received)
        raise


def _lock(lesson: Lesson) -> None:
    """One change at a time, seen as it is now: else a file could be left that no lesson has."""
    Lesson.objects.select_for_update().get(pk=lesson.pk)
    lesson.refresh_from_db(fields=["recording", "excerpt", "free_from_s", "free_until_s"])


def _received(
    path: Path, *, name: str, keep: Callable[[], str], upload_id: UUID | None = None
) -> ReceivedMedia:
    found = look_at(path)
    with path.open("rb") as file:
        sha256 = hashlib.file_digest(file, "sha256").hexdigest()
    shown = Path(name).name[-LONGEST_NAME:]
    return ReceivedMedia(keep(), sha256, path.stat().st_size, shown, found, upload_id)


def _sealed(received: ReceivedMedia, now: datetime) -> MediaFile:
    if received.upload_id is not None:
        ending.use_up(received.upload_id)
    return MediaFile.objects.create(
        storage_key=received.storage_key,
        sha256=received.sha256,
        size_bytes=received.size_bytes,
        original_name=received.original_name,
        container=received.found.container,
        has_picture=received.found.has_picture,
        content_type=received.found.content_type,
        length_s=received.found.length_s,
        kept_at=now,
    )


def _forget_excerpt(lesson: Lesson) -> None:
    excerpt, lesson.excerpt = lesson.excerpt, None
    lesson.save(update_fields=["excerpt"])
    _discard(excerpt)


def _discard(media: MediaFile | None) -> None:
    if media is not None:
        media.delete()
        transaction.on_commit(partial(keeping.discard, media.storage_key), robust=True)


def _cut(media: MediaFile, from_s: float, until_s: float) -> ReceivedMedia:
    with (
        keeping.local_path(media.storage_key) as source,
        tempfile.TemporaryDirectory(dir=settings.INCOMING_DIR) as folder,
    ):
        described = audiofile.describe(source, audiofile.METER_LIMITS)
        is_flac = described.subtype in _FLAC_SUBTYPES
        part = Path(folder) / ("free part.flac" if is_flac else "free part.wav")
        write = audiofile.write_flac if is_flac else audiofile.write_wav
        first, after = (round(time_s * described.sample_rate_hz) for time_s in (from_s, until_s))
        write(
            part,
            _frames_between(source, first, min(after, described.frames)),
            rate_hz=described.sample_rate_hz,
            channels=described.channels,
            subtype=described.subtype,
        )
        return receive(part, name=part.name)


def _frames_between(source: Path, first: int, after: int) -> Iterator[NDArray[np.float64]]:
    """The samples from frame `first` to before frame `after`, in blocks; nothing past that is read."""
    at = 0
    for block in audiofile.read_blocks(source):
        part = block[max(0, first - at) : max(0, after - at)]
        if len(part):
            yield part
        at += len(block)
        if at >= after:
            return
