"""Measure one version, compare it with the reference mix, and keep the report."""

from __future__ import annotations

from django.db import transaction
from django.utils import timezone

from academy.packs.models import StemPack
from academy.practice import booths, grounds
from academy.practice.comparing import RECIPE, Found, compared
from academy.practice.models import MixState, Practice, PracticeMix, Report
from academy.practice.submitting import MAKE_REPORT
from analysis.audiofile import AudioError
from analysis.intake import keeping
from analysis.intake.models import Recording
from analysis.jobs import requesting
from analysis.jobs.claiming import Claim
from analysis.jobs.models import JobState
from analysis.measuring.aligned import TrackRefused
from analysis.measuring.measuring import measurement_of
from analysis.measuring.report_files import compare_files

UNHEARD = (
    "Your file is silent, or never rises above −70 LUFS, so there is nothing to compare. Check what was "
    "routed to the output, export again and upload."
)


class MixUnusable(Exception):
    """A file that is kept but cannot be compared; the sentence says why, in the member's words."""


def request_again(mix: PracticeMix) -> None:
    """Have the report made anew, with the reference mix and the sections that there are now."""
    with transaction.atomic():
        PracticeMix.objects.filter(pk=mix.pk, state=MixState.FAILED).update(
            state=MixState.WAITING, trouble=""
        )
        requesting.request(MAKE_REPORT, mix.pk)


def is_made_anew(mix: PracticeMix) -> bool:
    """Whether the report is being made at this moment, for the first time or again."""
    return requesting.state_of(MAKE_REPORT, mix.pk) in {JobState.QUEUED, JobState.RUNNING}


def has_given_up(mix: PracticeMix) -> bool:
    """Whether the job ended without a report: our fault, not the file's."""
    return requesting.state_of(MAKE_REPORT, mix.pk) == JobState.FAILED


def make_report(claim: Claim) -> None:
    """Make the report that the claim names. Quiet when the version is gone; made anew when asked again.

    What is wrong with the member's file is a result. OSError is the storage's fault and left to the next
    attempt.
    """
    mix = (
        PracticeMix.objects.select_related("recording", "practice__pack__reference_mix")
        .filter(pk=int(claim.subject))
        .exclude(state=MixState.DELETED)
        .first()
    )
    if mix is None:
        return
    pack = mix.practice.pack
    try:
        found = _found(mix.recording, pack)
    except MixUnusable as unusable:
        with claim.finishing():
            _settle(mix, MixState.FAILED, trouble=str(unusable))
        return
    with claim.finishing():
        if _settle(mix, MixState.READY):
            Report.objects.update_or_create(
                mix=mix,
                defaults={
                    "recipe": RECIPE,
                    "reference": pack.reference_mix,
                    "found": found,
                    "made_at": timezone.now(),
                },
            )
            booths.renew_booth(mix.practice)


def _settle(mix: PracticeMix, state: MixState, *, trouble: str = "") -> bool:
    """Take the arrow; False when the version was deleted meanwhile. The caller's transaction is open."""
    # The booth's job takes this row too: they take turns, so that neither misses what the other did.
    Practice.objects.select_for_update().get(pk=mix.practice_id)
    standing = PracticeMix.objects.filter(pk=mix.pk).exclude(state=MixState.DELETED)
    return bool(standing.update(state=state, trouble=trouble))


def _found(recording: Recording, pack: StemPack) -> Found:
    try:
        own = measurement_of(recording)
    except AudioError as error:
        raise MixUnusable(error.message) from error
    if own.integrated_lufs is None:
        raise MixUnusable(UNHEARD)
    reference = None if pack.reference_mix is None else measurement_of(pack.reference_mix)
    stems, sections = grounds.stems_of(pack), grounds.sections_of(pack)
    recordings = [recording, *(stem.recording for stem in stems)]
    if pack.reference_mix is not None:
        recordings.append(pack.reference_mix)
    with keeping.local_paths(one.storage_key for one in recordings) as paths:
        mix_path, *others = map(str, paths)
        stem_paths, reference_path = others[: len(stems)], next(iter(others[len(stems) :]), None)
        try:
            files = compare_files(
                mix_path,
                stem_paths,
                reference_path,
                starts_s=[section["start_s"] for section in sections],
            )
        except TrackRefused as refused:
            if refused.path != mix_path:
                raise  # a stem or the reference: not the member's to mend
            raise MixUnusable(refused.message) from refused
    found = compared(
        own,
        reference,
        files,
        stem_names=[stem.name for stem in stems],
        stem_spectra=[(measurement_of(stem.recording), stem.recording.channels) for stem in stems],
        sections=sections,
    )
    return found | {"stems_mark": grounds.stems_mark([stem.recording for stem in stems])}
