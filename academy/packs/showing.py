"""What a pack's page shows: to whoever asks, or as somebody else would see it before it is published."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from academy.members.access import Eyes, is_member
from academy.packs import access, building, converting, previewing, queries, terms
from academy.packs.models import Archive, PackVersion, SoundForm, StemPack, TermsAccepted
from academy.packs.sections import offered_on
from analysis.jobs.models import JobState


@dataclass(frozen=True)
class Viewer:
    """Who looks at the page."""

    is_signed_in: bool
    may_fetch: bool
    accepted: TermsAccepted | None


@dataclass(frozen=True)
class ArchiveLine:
    """How far one form of the archive is: `done` of `total` stems are there in it."""

    form: SoundForm
    archive: Archive | None
    state: JobState | None
    done: int
    total: int

    @property
    def is_under_way(self) -> bool:
        """Whether it waits or is being built."""
        return self.archive is None and self.state in (JobState.QUEUED, JobState.RUNNING)


def viewer(person: Eyes, pack: StemPack, now: datetime) -> Viewer:
    """The person who asks; or somebody imagined, who has not accepted the terms yet."""
    may_fetch = access.may_fetch(person, pack, now)
    accepted = terms.acceptance_of(pack, person) if may_fetch else None
    return Viewer(is_member(person), may_fetch, accepted)


def page_context(
    pack: StemPack, shown: StemPack | PackVersion, person: Eyes, now: datetime
) -> dict[str, Any]:
    """What the template of the page needs. `shown` is the version handed out, or what lies on the desk."""
    who = viewer(person, pack, now)
    lines = queries.stem_lines(shown)
    version = shown if isinstance(shown, PackVersion) else None
    return {
        "pack": pack,
        "shown": shown,
        "version": version,
        "lines": lines,
        "length_s": queries.longest_s(lines),
        "who": who,
        "sections": offered_on(pack, person, now),
        "listening": previewing.listening_set(version) if version and who.may_fetch else None,
        **archives_context(pack),
    }


def archives_context(pack: StemPack) -> dict[str, Any]:
    """How far the archives of the current version are. `is_settled` once nothing will change by itself."""
    version = pack.current
    if version is None:
        return {"pack": pack, "version": None, "archives": [], "is_settled": True}
    recordings = [stem.recording for stem in version.stems.select_related("recording")]
    built = {archive.form: archive for archive in version.archives.all()}
    lines = [
        ArchiveLine(
            form,
            built.get(form.value),
            None if form.value in built else building.build_state(version, form),
            len(converting.kept_files(recordings, form)),
            len(recordings),
        )
        for form in SoundForm
    ]
    return {
        "pack": pack,
        "version": version,
        "archives": lines,
        "is_settled": not any(line.is_under_way for line in lines),
    }
