"""Build the archive of a pack: every stem under a safe name, its sums, a note and the terms."""

from __future__ import annotations

import hashlib
import tempfile
import zipfile
from dataclasses import dataclass
from pathlib import Path
from typing import IO

from django.conf import settings
from django.db import transaction

from academy.packs import queries
from academy.packs.models import StemPack
from academy.packs.naming import safe_name
from academy.templatetags.audio_text import NO_BREAK, bpm, channels, depth, duration, khz
from analysis.intake import keeping
from analysis.intake.models import Recording
from analysis.jobs import requesting
from analysis.jobs.claiming import Claim
from analysis.jobs.models import JobState

BUILD_PACK = "build_pack"
BLOCK_BYTES = 1024 * 1024


class PackChanged(Exception):
    """The pack got other terms while it was being built; the next attempt takes those."""


class StemDamaged(OSError):
    """The shelf gave other bytes than were sealed."""


@dataclass(frozen=True)
class Archive:
    """An archive that is kept already; no row speaks of it yet."""

    key: str
    sha256: str
    size_bytes: int


def request_build(pack: StemPack) -> None:
    """Have the archive built, or built again."""
    requesting.request(BUILD_PACK, pack.pk)


def build_state(pack: StemPack) -> JobState | None:
    """What the job that builds it is doing; None when nobody asked for it."""
    return requesting.state_of(BUILD_PACK, pack.pk)


def archive_filename(pack: StemPack) -> str:
    """The name under which a member saves the archive."""
    return f"{_folder_name(pack)}.zip"


def build_pack(claim: Claim) -> None:
    """Build the archive that the claim names and put it in the place of an earlier one."""
    pack = StemPack.objects.get(pk=claim.subject)
    archive = build_archive(pack)
    try:
        with claim.finishing():
            _put_in_place(pack, archive)
    except BaseException:
        keeping.discard(archive.key)
        raise


def build_archive(pack: StemPack) -> Archive:
    """Write the archive to a file of its own, hash it, keep it.

    Stored, not deflated: audio hardly shrinks. Nothing in it depends on the clock, so building the same pack
    again gives the same bytes. Raises StemDamaged when a stem is not what was sealed, OSError when the
    storage fails.
    """
    with tempfile.NamedTemporaryFile(dir=settings.INCOMING_DIR, suffix=".zip") as file:
        _write_archive(pack, file)
        file.flush()
        path = Path(file.name)
        with path.open("rb") as finished:
            sha256 = hashlib.file_digest(finished, "sha256").hexdigest()
        return Archive(key=keeping.keep(path), sha256=sha256, size_bytes=path.stat().st_size)


def _put_in_place(pack: StemPack, archive: Archive) -> None:
    changed = StemPack.objects.filter(pk=pack.pk, terms_version=pack.terms_version).update(
        archive_key=archive.key, archive_sha256=archive.sha256, archive_bytes=archive.size_bytes
    )
    if not changed:
        raise PackChanged(f"{pack}: its terms changed while it was being built")
    if pack.archive_key:
        # Robust: the new archive stands by then, and trouble with the old one must not undo it.
        transaction.on_commit(lambda: keeping.discard(pack.archive_key), robust=True)


def _write_archive(pack: StemPack, file: IO[bytes]) -> None:
    folder = _folder_name(pack)
    lines = queries.stem_lines(pack)
    texts = {"README.txt": readme_text(pack, lines), "TERMS.txt": terms_text(pack)}
    sums = []
    with zipfile.ZipFile(file, "w", zipfile.ZIP_STORED, allowZip64=True) as archive:
        for line in lines:
            # Told in advance that it may pass 4 GiB, the entry has room for the larger size.
            with archive.open(_entry(folder, line.filename), "w", force_zip64=True) as entry:
                _copy_stem(line.stem.recording, entry)
            sums.append((line.stem.recording.sha256, line.filename))
        for name, text in texts.items():
            archive.writestr(_entry(folder, name), text)
            sums.append((hashlib.sha256(text.encode()).hexdigest(), name))
        # Two spaces: the form that `sha256sum --check` reads.
        archive.writestr(_entry(folder, "SHA256SUMS"), "".join(f"{one}  {name}\n" for one, name in sums))


def _entry(folder: str, name: str) -> zipfile.ZipInfo:
    entry = zipfile.ZipInfo(f"{folder}/{name}")
    entry.external_attr = 0o644 << 16  # else unpacked without any permission on systems that heed it
    return entry


def _copy_stem(recording: Recording, entry: IO[bytes]) -> None:
    digest = hashlib.sha256()
    with keeping.opened(recording.storage_key) as source:
        while block := source.read(BLOCK_BYTES):
            digest.update(block)
            entry.write(block)
    if digest.hexdigest() != recording.sha256:
        raise StemDamaged(f"{recording}: the kept bytes are not those that were sealed")


def readme_text(pack: StemPack, lines: list[queries.StemLine]) -> str:
    """What the pack is, in plain text. Facts that are not known are left out."""
    parts = [pack.title, "=" * len(pack.title), ""]
    facts = [
        ("Artist", pack.artist),
        ("Tempo", bpm(pack.tempo_bpm) if pack.tempo_bpm else ""),
        ("Key", pack.key),
        ("Length", duration(queries.longest_s(lines))),
    ]
    parts += [f"{name + ':':<8} {value}" for name, value in facts if value]
    parts += ["", "Stems", "-----"]
    for line in lines:
        recording = line.stem.recording
        form = [khz(recording.sample_rate_hz), depth(recording.subtype), channels(recording.channels)]
        parts.append(f"{line.filename}  ({', '.join(form)}, {duration(recording.duration_s)})")
    for title, text in [("Notes", pack.notes), ("Credits", pack.credits)]:
        if text:
            parts += ["", title, "-" * len(title), text.strip()]
    parts += [
        "",
        "The terms are in TERMS.txt. To see that every file arrived whole: sha256sum --check SHA256SUMS",
        "",
    ]
    return "\n".join(parts).replace(NO_BREAK, " ")


def terms_text(pack: StemPack) -> str:
    """The terms with their version, in plain text."""
    return f"Terms, version {pack.terms_version}\n\n{pack.terms.strip()}\n"


def _folder_name(pack: StemPack) -> str:
    return safe_name(pack.title, otherwise=pack.slug)
