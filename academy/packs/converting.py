"""A stem in the form in which a pack is handed out: as given, or the same samples in the other form."""

from __future__ import annotations

import hashlib
import tempfile
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from uuid import UUID

from django.conf import settings

from academy.packs.models import ConvertedFile, SoundForm
from analysis import audiofile
from analysis.intake import keeping
from analysis.intake.models import Recording
from analysis.measuring.blocks import stored_blocks

FORM_OF_FORMAT = {"WAV": SoundForm.WAV, "RF64": SoundForm.WAV, "FLAC": SoundForm.FLAC}
# What FLAC holds without loss: RFC 9639 allows 32 bit, but encoders and players in use stop at 24.
FLAC_SUBTYPES = {"PCM_16", "PCM_24"}
# RFC 9639 registers audio/flac; audio/wav is common practice (no registration).
CONTENT_TYPES = {SoundForm.WAV: "audio/wav", SoundForm.FLAC: "audio/flac"}


@dataclass(frozen=True, slots=True)
class StemFile:
    """The bytes of a stem in one form."""

    form: SoundForm
    storage_key: str
    sha256: str
    size_bytes: int


def form_of(recording: Recording) -> SoundForm:
    """The form in which a recording was given."""
    return FORM_OF_FORMAT[recording.format]


def form_within(recording: Recording, form: SoundForm) -> SoundForm:
    """The form that a stem has inside a pack of `form`: 32-bit samples stay WAV, for FLAC would cut them."""
    return form_of(recording) if recording.subtype not in FLAC_SUBTYPES else form


def as_given(recording: Recording) -> StemFile:
    """The recording itself."""
    return StemFile(form_of(recording), recording.storage_key, recording.sha256, recording.size_bytes)


def kept_files(recordings: Iterable[Recording], form: SoundForm) -> dict[UUID, StemFile]:
    """What is there of these recordings for a pack of `form`, by recording; one query."""
    recordings = list(recordings)
    found = {one.pk: as_given(one) for one in recordings if form_within(one, form) is form_of(one)}
    missing = [one.pk for one in recordings if one.pk not in found]
    for made in ConvertedFile.objects.filter(recording__in=missing, form=form):
        found[made.recording_id] = StemFile(form, made.storage_key, made.sha256, made.size_bytes)
    return found


def file_in(recording: Recording, form: SoundForm) -> StemFile:
    """The recording as it goes into a pack of `form`: what is kept, or made now, which is slow.

    The samples are the same to the last bit. Call it with no transaction open. Raises AudioError when the
    recording cannot be decoded after all, OSError when the storage fails.
    """
    kept = kept_files([recording], form)
    if recording.pk in kept:
        return kept[recording.pk]
    write = audiofile.write_flac if form is SoundForm.FLAC else audiofile.write_wav
    with (
        tempfile.TemporaryDirectory(dir=settings.INCOMING_DIR) as folder,
        keeping.local_path(recording.storage_key) as source,
    ):
        path = Path(folder) / "stem"
        write(
            path,
            stored_blocks(source),
            rate_hz=recording.sample_rate_hz,
            channels=recording.channels,
            subtype=recording.subtype,
        )
        with path.open("rb") as file:
            sha256 = hashlib.file_digest(file, "sha256").hexdigest()
        key = keeping.adopt(path)
        made, is_new = ConvertedFile.objects.get_or_create(
            recording=recording,
            form=form,
            defaults={"storage_key": key, "sha256": sha256, "size_bytes": path.stat().st_size},
        )
    if not is_new:  # another worker was quicker
        keeping.discard(key)
    return StemFile(form, made.storage_key, made.sha256, made.size_bytes)
