"""Take a folder of raw tracks in as a pack, whole or not at all."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from django.db import transaction

from academy.members.models import Member
from academy.packs import auditing, publishing
from academy.packs.models import Stem, StemPack
from academy.packs.publishing import PackRefused
from analysis.audiofile import AudioError
from analysis.intake import sealing
from analysis.intake.sealing import Received
from analysis.measuring.file_names import alike, clashes

LEADING_NUMBER = re.compile(r"^\d+[\s._-]+")
PAPERS = {".txt", ".md", ".pdf", ".rtf"}  # lie beside the tracks and are none
LONGEST_STEM_NAME = Stem._meta.get_field("name").max_length or 0


@dataclass(frozen=True)
class Row:
    """What became of one file. `error` is None, or its code and a sentence for whoever made the file."""

    file: str
    stem: str | None  # None for the reference mix
    error: tuple[str, str] | None = None


def import_pack(
    folder: Path,
    *,
    reference: Path | None = None,
    owner: Member | None = None,
    publish: bool = False,
    now: datetime,
    **facts: Any,
) -> tuple[StemPack | None, list[Row]]:
    """Make a pack of the tracks in a folder, in the order of their names; `facts` are those of `create_pack`.

    Returns the pack and a row a file. When any file is refused there is no pack, and nothing of it is kept.
    Raises PackRefused where the pack itself is refused, OSError where a file cannot be read.
    """
    names = stem_names(tracks_in(folder, leave_out=reference))
    if not names:
        raise PackRefused(f"There is no track in {folder}. Put one WAV or FLAC file a stem there.")
    rows, received = _receive(names, reference)
    try:
        if any(row.error for row in rows):
            return None, rows
        with transaction.atomic():
            pack = publishing.create_pack(**facts)
            for path, name in names.items():
                publishing.add_stem(pack, received[path], name=name, owner=owner, now=now)
            if reference is not None:
                publishing.set_reference_mix(pack, received[reference], owner=owner, now=now)
            if publish:
                publishing.publish(pack, now=now)
            auditing.request_audit(pack)
        received = {}
        return pack, rows
    finally:
        for one in received.values():
            sealing.let_go(one)


def tracks_in(folder: Path, *, leave_out: Path | None = None) -> list[Path]:
    """The files of a folder that are to be stems; 2 comes before 10. Hidden files and papers are none."""
    files = [
        path
        for path in folder.iterdir()
        if path.is_file() and not path.name.startswith(".") and path.suffix.lower() not in PAPERS
    ]
    if leave_out is not None:
        files = [path for path in files if path.resolve() != leave_out.resolve()]
    return in_counting_order(files)


def in_counting_order(files: Iterable[Path]) -> list[Path]:
    """Sorted by name: digits compare as numbers, all else as text without regard to case."""
    return sorted(files, key=_counting_key)


def stem_names(tracks: list[Path]) -> dict[Path, str]:
    """What each stem is called: its file's name, less a number before it where that leaves all different."""
    full = [sealing.shown_name(path.stem)[:LONGEST_STEM_NAME] for path in tracks]
    short = [LEADING_NUMBER.sub("", name) or name for name in full]
    all_differ = not clashes(short)
    return dict(zip(tracks, short if all_differ else full, strict=True))


def short_name(file: Path, pack: StemPack) -> str:
    """What a stem that comes alone is called: its file's name, less a number before it where that is free."""
    full = file.stem[:LONGEST_STEM_NAME]
    short = LEADING_NUMBER.sub("", full) or full
    is_free = alike(short) not in {alike(name) for name in pack.stems.values_list("name", flat=True)}
    return short if is_free else full


def _receive(names: dict[Path, str], reference: Path | None) -> tuple[list[Row], dict[Path, Received]]:
    wanted: dict[Path, str | None] = {**names}
    if reference is not None:
        wanted[reference] = None
    rows: list[Row] = []
    received: dict[Path, Received] = {}
    try:
        for path, name in wanted.items():
            try:
                received[path] = sealing.receive_file(path)
                rows.append(Row(sealing.shown_name(path.name), name))
            except AudioError as exc:
                rows.append(Row(sealing.shown_name(path.name), name, (exc.code, exc.message)))
    except OSError:
        for one in received.values():
            sealing.let_go(one)
        raise
    return rows, received


def _counting_key(path: Path) -> list[tuple[int, str]]:
    parts = re.findall(r"\d+|\D+", path.name.casefold())
    return [(int(part), "") if part.isdecimal() else (-1, part) for part in parts]
