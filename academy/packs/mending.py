"""One-click fixes of what an audit found: each makes a new recording, and the old one stays as it is."""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from functools import partial
from pathlib import Path

from django.conf import settings
from django.db import transaction
from django.utils import timezone

from academy.packs import auditing
from academy.packs.models import PackAudit, Stem, StemPack
from academy.packs.refusals import PackRefused
from analysis.audiofile import AudioError, read_blocks
from analysis.dsp.dynamics import Dynamics
from analysis.intake import keeping, sealing
from analysis.intake.sealing import Received
from analysis.jobs import requesting
from analysis.jobs.claiming import Claim, LeaseLost
from analysis.jobs.models import Job, JobState
from analysis.measuring import stem_fixes
from analysis.measuring.audit_files import common_start_frames

MEND = "mend_stems"
OF_ALL = {"length", "start"}
"""Fixes of the whole pack at once, so that its stems stay in time with each other."""

Write = Callable[[Path, Path], None]


class FixFailed(Exception):
    """A stem cannot be mended so; the sentence says why."""


def request_fix(pack: StemPack, fix: str, stem: Stem | None) -> None:
    """Have a fix done. Raises PackRefused for one that is not known, or that needs a stem and has none."""
    if fix in OF_ALL:
        stem = None
    elif fix not in stem_fixes.FIXES or stem is None:
        raise PackRefused("There is no such fix for this. Reload the page and look at the findings again.")
    requesting.request(MEND, f"{pack.pk} {fix} {stem.pk if stem else 0}")


def is_mending(pack: StemPack) -> bool:
    """Whether a fix of this pack is under way."""
    under_way = Job.objects.filter(kind=MEND, state__in=[JobState.QUEUED, JobState.RUNNING])
    return under_way.filter(subject__startswith=f"{pack.pk} ").exists()


def mend(claim: Claim) -> None:
    """Do the fix that the claim names. A stem that was changed or removed meanwhile is left alone.

    What cannot be mended stays as it is, and the audit goes on to show it.
    """
    pack_id, fix, stem_id = claim.subject.split(" ")
    pack = StemPack.objects.get(pk=pack_id)
    stems = list(pack.stems.select_related("recording"))
    if fix not in OF_ALL:
        stems = [stem for stem in stems if str(stem.pk) == stem_id]
    made: list[tuple[Stem, Received]] = []
    try:
        for stem, write in _writes(fix, stems):
            made.append((stem, _mended(stem, write)))
    except FixFailed as failed:
        _let_go(made)
        with claim.finishing():
            PackAudit.objects.filter(pack=pack).update(trouble=str(failed))
        return
    except BaseException:
        _let_go(made)
        raise
    try:
        with claim.finishing():
            _put_in(pack, made)
            auditing.request_audit(pack)
    except LeaseLost:  # before anything was written
        _let_go(made)
        raise


def _put_in(pack: StemPack, made: list[tuple[Stem, Received]]) -> None:
    """Give each stem that is still as it was its new recording; what is not wanted any more is let go."""
    now = timezone.now()
    StemPack.objects.select_for_update().filter(pk=pack.pk).first()  # as whoever arranges the desk does
    for stem, received in made:
        still = Stem.objects.filter(pk=stem.pk, recording=stem.recording).first()
        if still is None:
            transaction.on_commit(partial(sealing.let_go, received), robust=True)
            continue
        # The owner's own recording in another shape, hence theirs too.
        still.recording = sealing.seal(received, owner=stem.recording.owner, now=now)
        still.save(update_fields=["recording"])


def _writes(fix: str, stems: list[Stem]) -> list[tuple[Stem, Write]]:
    """The stems that the fix changes, each with what makes its new file."""
    if fix in stem_fixes.FIXES:
        return [(stem, stem_fixes.FIXES[fix]) for stem in stems]
    if fix == "length":
        longest_s = max((stem.recording.duration_s for stem in stems), default=0.0)
        return [
            (stem, partial(stem_fixes.place, frames=frames))
            for stem in stems
            if (frames := round(longest_s * stem.recording.sample_rate_hz)) != stem.recording.frames
        ]
    start_s = _common_start_s(stems)
    return [
        (stem, partial(stem_fixes.place, leave_out_frames=frames))
        for stem in stems
        if (frames := round(start_s * stem.recording.sample_rate_hz))
    ]


def _common_start_s(stems: list[Stem]) -> float:
    """The silence with which every stem begins, in seconds; a stem that never sounds has no say."""
    starts_s = []
    for stem in stems:
        found = stem.recording
        measured = Dynamics(rate_hz=found.sample_rate_hz, n_channels=found.channels)
        with keeping.local_path(found.storage_key) as path:
            for block in read_blocks(path):
                measured.add(block)
                if measured.leading_silence_frames < measured.n_frames:
                    starts_s.append(common_start_frames([measured]) / found.sample_rate_hz)
                    break
    return min(starts_s, default=0.0)


def _mended(stem: Stem, write: Write) -> Received:
    recording = stem.recording
    with (
        tempfile.TemporaryDirectory(dir=settings.INCOMING_DIR) as folder,
        keeping.local_path(recording.storage_key) as source,
    ):
        path = Path(folder) / "mended"
        try:
            write(source, path)
            return sealing.receive_whole(
                path, name=recording.original_name, keep=partial(keeping.adopt, path)
            )
        except AudioError as error:
            raise FixFailed(f"{stem.name} stays as it is: {error.message}") from error


def _let_go(made: list[tuple[Stem, Received]]) -> None:
    for _, received in made:
        sealing.let_go(received)
