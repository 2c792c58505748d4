"""Build the archives of a version: every stem under a safe name, its sums, a note and the terms."""

from __future__ import annotations

import hashlib
import tempfile
import zipfile
from dataclasses import dataclass
from pathlib import Path
from typing import IO

from django.conf import settings
from django.db import transaction

from academy.packs import converting, queries
from academy.packs.converting import StemFile
from academy.packs.models import Archive, PackVersion, SoundForm
from academy.packs.naming import safe_name
from academy.templatetags.audio_text import NO_BREAK, bpm, channels, depth, duration, khz
from analysis.intake import keeping
from analysis.jobs import requesting
from analysis.jobs.claiming import Claim
from analysis.jobs.models import JobState

BUILD_PACK = "build_pack"
BLOCK_BYTES = 1024 * 1024


class StemDamaged(OSError):
    """The shelf gave other bytes than were sealed."""


@dataclass(frozen=True)
class KeptBytes:
    """An archive that is kept already; no row speaks of it yet."""

    key: str
    sha256: str
    size_bytes: int


def request_build(version: PackVersion) -> None:
    """Have the archives built, or built again: one job a form."""
    for form in SoundForm:
        requesting.request(BUILD_PACK, _subject(version, form))


def build_state(version: PackVersion, form: SoundForm) -> JobState | None:
    """What the job that builds it is doing; None when nobody asked for it."""
    return requesting.state_of(BUILD_PACK, _subject(version, form))


def archive_filename(version: PackVersion, form: SoundForm) -> str:
    """The name under which a member saves the archive. It tells two versions and two forms apart."""
    return f"{_folder_name(version)} v{version.number} {form.label}.zip"


def build_pack(claim: Claim) -> None:
    """Build the archive that the claim names and put it in the place of an earlier one.

    Nothing is built for a version that another one has taken the place of.
    """
    key, _, form = claim.subject.partition(" ")
    version = PackVersion.objects.get(pk=key)
    if not _is_current(version):
        return
    kept = build_archive(version, SoundForm(form))
    try:
        with claim.finishing():
            _put_in_place(version, SoundForm(form), kept)
    except BaseException:
        keeping.discard(kept.key)
        raise


def build_archive(version: PackVersion, form: SoundForm) -> KeptBytes:
    """Write the archive to a file of its own, hash it, keep it.

    Stored, not deflated: audio hardly shrinks. Nothing in it depends on the clock, so building the same
    version again gives the same bytes. Raises StemDamaged when a stem is not what was sealed, OSError when
    the storage fails.
    """
    lines = queries.stem_lines(version, form)
    files = [(line, converting.file_in(line.stem.recording, form)) for line in lines]
    with tempfile.TemporaryDirectory(dir=settings.INCOMING_DIR) as folder:
        path = Path(folder) / "archive.zip"
        with path.open("xb") as file:
            _write_archive(version, files, file)
        with path.open("rb") as finished:
            sha256 = hashlib.file_digest(finished, "sha256").hexdigest()
        return KeptBytes(key=keeping.adopt(path), sha256=sha256, size_bytes=path.stat().st_size)


def discard_archives(version: PackVersion) -> None:
    """Withdraw a version's archives: the rows now, the bytes once that is committed."""
    for archive in version.archives.all():
        _discard_later(archive.storage_key)
    version.archives.all().delete()


def _subject(version: PackVersion, form: SoundForm) -> str:
    return f"{version.pk} {form.value}"


def _is_current(version: PackVersion) -> bool:
    return version.pack.current_id == version.pk


def _put_in_place(version: PackVersion, form: SoundForm, kept: KeptBytes) -> None:
    # Locked, so that a version which is overtaken at this moment does not get an archive after all.
    pack = type(version.pack).objects.select_for_update().get(pk=version.pack_id)
    if pack.current_id != version.pk:
        _discard_later(kept.key)
        return
    earlier = Archive.objects.filter(version=version, form=form).first()
    if earlier is not None:
        _discard_later(earlier.storage_key)
        earlier.delete()
    Archive.objects.create(
        version=version, form=form, storage_key=kept.key, sha256=kept.sha256, size_bytes=kept.size_bytes
    )


def _discard_later(key: str) -> None:
    # Robust: the new archive stands by then, and trouble with the old one must not undo it.
    transaction.on_commit(lambda: keeping.discard(key), robust=True)


def _write_archive(
    version: PackVersion, files: list[tuple[queries.StemLine, StemFile]], file: IO[bytes]
) -> None:
    folder = _folder_name(version)
    texts = {
        "README.txt": readme_text(version, [line for line, _ in files]),
        "TERMS.txt": terms_text(version),
    }
    sums = []
    with zipfile.ZipFile(file, "w", zipfile.ZIP_STORED, allowZip64=True) as archive:
        for line, stem_file in files:
            # Told in advance that it may pass 4 GiB, the entry has room for the larger size.
            with archive.open(_entry(folder, line.filename), "w", force_zip64=True) as entry:
                _copy_stem(stem_file, entry)
            sums.append((stem_file.sha256, line.filename))
        for name, text in texts.items():
            archive.writestr(_entry(folder, name), text)
            sums.append((hashlib.sha256(text.encode()).hexdigest(), name))
        # Two spaces: the form that `sha256sum --check` reads.
        archive.writestr(_entry(folder, "SHA256SUMS"), "".join(f"{one}  {name}\n" for one, name in sums))


def _entry(folder: str, name: str) -> zipfile.ZipInfo:
    entry = zipfile.ZipInfo(f"{folder}/{name}")
    entry.external_attr = 0o644 << 16  # else unpacked without any permission on systems that heed it
    return entry


def _copy_stem(stem_file: StemFile, entry: IO[bytes]) -> None:
    digest = hashlib.sha256()
    with keeping.opened(stem_file.storage_key) as source:
        while block := source.read(BLOCK_BYTES):
            digest.update(block)
            entry.write(block)
    if digest.hexdigest() != stem_file.sha256:
        raise StemDamaged(f"{stem_file.storage_key}: the kept bytes are not those that were sealed")


def readme_text(version: PackVersion, lines: list[queries.StemLine]) -> str:
    """What the pack is, in plain text. Facts that are not known are left out."""
    parts = [version.title, "=" * len(version.title), ""]
    facts = [
        ("Artist", version.artist),
        ("Version", f"{version.number}, of {version.published_at:%Y-%m-%d}"),
        ("Tempo", bpm(version.tempo_bpm) if version.tempo_bpm else ""),
        ("Key", version.key),
        ("Length", duration(queries.longest_s(lines))),
    ]
    parts += [f"{name + ':':<8} {value}" for name, value in facts if value]
    parts += ["", "Stems", "-----"]
    for line in lines:
        recording = line.stem.recording
        form = [khz(recording.sample_rate_hz), depth(recording.subtype), channels(recording.channels)]
        parts.append(f"{line.filename}  ({', '.join(form)}, {duration(recording.duration_s)})")
    for title, text in [
        ("What is new", version.changes),
        ("Notes", version.notes),
        ("Credits", version.credits),
    ]:
        if text:
            parts += ["", title, "-" * len(title), text.strip()]
    parts += [
        "",
        "The terms are in TERMS.txt. To see that every file arrived whole: sha256sum --check SHA256SUMS",
        "",
    ]
    return "\n".join(parts).replace(NO_BREAK, " ")


def terms_text(version: PackVersion) -> str:
    """The terms with their version, in plain text."""
    return f"Terms, version {version.terms_version}\n\n{version.terms.strip()}\n"


def _folder_name(version: PackVersion) -> str:
    return safe_name(version.title, otherwise=version.pack.slug)
