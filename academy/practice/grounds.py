"""What a pack gives to practise with beside its stems: the sections of its song, and their plain sum."""

from __future__ import annotations

import hashlib
import re
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from django.conf import settings
from django.db import transaction
from django.utils import timezone

from academy.packs.models import PublishedStem, Stem, StemPack
from academy.practice.models import PracticeGround
from academy.templatetags.audio_text import duration
from analysis.intake import keeping, sealing
from analysis.intake.models import Recording
from analysis.measuring.measuring import measurement_of
from analysis.measuring.plain_sum import write_plain_sum

SECTION_LINE = re.compile(r"^(?:(\d{1,2}):)?(\d{1,3}):(\d{2}(?:\.\d+)?)\s+(\S.*)$")
MOST_SECTIONS = 40
LONGEST_NAME = 40
PLAIN_SUM_NAME = "Plain sum of the stems.flac"

Section = dict[str, Any]


class SectionsRefused(Exception):
    """Lines that are no sections; the sentence names the line and what is wrong with it."""


def sections_of(pack: StemPack) -> list[Section]:
    """The song's sections in order, each `{"name", "start_s"}`. Empty where the teacher gave none."""
    ground = PracticeGround.objects.filter(pack=pack).first()
    return [] if ground is None else list(ground.sections)


def sections_as_lines(sections: list[Section]) -> str:
    """The sections as they are typed, a line each."""
    return "\n".join(
        f"{duration(one['start_s'], _decimals(one['start_s']))} {one['name']}" for one in sections
    )


def sections_from_lines(text: str) -> list[Section]:
    """Read lines such as `0:00 Intro` or `1:02.5 Chorus`. No lines give no sections.

    The first one begins at the start of the song, whatever it says. Raises SectionsRefused for a line that is
    not of this form, one that does not come later than the one before, and for too many.
    """
    sections: list[Section] = []
    before_s = -1.0
    for number, line in enumerate(filter(None, map(str.strip, text.splitlines())), start=1):
        match = SECTION_LINE.match(line)
        if match is None:
            raise SectionsRefused(
                f"Line {number}, “{line[:60]}”, is not a time and a name. Write it like “1:02 Chorus”."
            )
        hours, minutes, seconds, name = match.groups()
        if float(seconds) >= 60:
            raise SectionsRefused(f"Line {number}, “{line[:60]}”, has more than 59 seconds.")
        start_s = 3600 * int(hours or 0) + 60 * int(minutes) + float(seconds)
        if start_s <= before_s:
            raise SectionsRefused(
                f"Line {number}, “{line[:60]}”, does not come later than the line before. Put them in order."
            )
        sections.append({"name": name[:LONGEST_NAME], "start_s": start_s if sections else 0.0})
        before_s = start_s
    if len(sections) > MOST_SECTIONS:
        raise SectionsRefused(f"These are {len(sections)} sections; at most {MOST_SECTIONS} are kept.")
    return sections


def keep_sections(pack: StemPack, sections: list[Section]) -> None:
    """Put these sections in the place of the earlier ones. Reports that are made already keep theirs."""
    PracticeGround.objects.update_or_create(pack=pack, defaults={"sections": sections})


def stems_of(pack: StemPack) -> list[Stem | PublishedStem]:
    """The stems that members fetch: those of the current version, or of the desk before there is one."""
    of = pack.current or pack
    return list(of.stems.select_related("recording"))


def plain_sum_of(pack: StemPack) -> Recording:
    """The pack's plain sum, measured: the kept one, or a new one, which is slow.

    Call it with no transaction open. Two that render it at once do the work twice and keep one.
    """
    stems = [stem.recording for stem in stems_of(pack)]
    recording = _kept_plain_sum(pack, stems)
    if recording is None:
        PracticeGround.objects.get_or_create(pack=pack)
        recording = _keep_plain_sum(pack, stems)
    measurement_of(recording)
    return recording


def kept_plain_sum_of(pack: StemPack) -> Recording | None:
    """The plain sum of the stems that there are now; None where none was made of them yet."""
    return _kept_plain_sum(pack, [stem.recording for stem in stems_of(pack)])


def _kept_plain_sum(pack: StemPack, stems: Sequence[Recording]) -> Recording | None:
    ground = PracticeGround.objects.select_related("plain_sum").filter(pack=pack).first()
    return None if ground is None or ground.stems_summed != stems_mark(stems) else ground.plain_sum


def stems_mark(stems: Sequence[Recording]) -> str:
    """What tells stems from others of the same pack: a hash of theirs, in order."""
    return hashlib.sha256("".join(stem.sha256 for stem in stems).encode()).hexdigest()


def _keep_plain_sum(pack: StemPack, stems: Sequence[Recording]) -> Recording:
    summed = stems_mark(stems)
    with (
        tempfile.TemporaryDirectory(dir=settings.INCOMING_DIR) as folder,
        keeping.local_paths(stem.storage_key for stem in stems) as paths,
    ):
        path = Path(folder) / "sum.flac"
        write_plain_sum([str(each) for each in paths], path)
        received = sealing.receive_file(path, name=PLAIN_SUM_NAME)
    with transaction.atomic():
        ground = PracticeGround.objects.select_for_update().get(pack=pack)
        if ground.plain_sum is not None and ground.stems_summed == summed:
            sealing.let_go(received)
            return ground.plain_sum
        ground.plain_sum = sealing.seal(received, owner=None, now=timezone.now())
        ground.stems_summed = summed
        ground.save(update_fields=["plain_sum", "stems_summed"])
        return ground.plain_sum


def _decimals(start_s: float) -> int:
    return 0 if start_s == int(start_s) else 1
