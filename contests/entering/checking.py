"""Check an upload against the delivery spec, and move the entry on."""

from __future__ import annotations

from dataclasses import asdict

from django.utils import timezone

from analysis.audiofile import AudioError
from analysis.intake.models import Recording
from analysis.jobs.claiming import Claim
from analysis.measuring.measuring import measurement_of
from analysis.measuring.models import Measurement
from contests import letters
from contests.entering.delivery import Delivered, DeliverySpec, Finding, finding_of, findings
from contests.models import Contest, Entry, Ruling
from contests.screening import comparing
from contests.states import STANDING_ENTRY, EntryState

CHECK_ENTRY = "check_entry"
"""The kind of job; its subject is an entry's primary key."""


def check_entry(claim: Claim) -> None:
    """Measure one upload and settle what becomes of it. Quiet when the entry is no longer being checked.

    A file that cannot be decoded after all has a finding. OSError is the storage's fault and left to the next
    attempt.
    """
    entry = (
        Entry.objects.select_related("recording", "contest__pack__reference_mix")
        .filter(pk=int(claim.subject), state=EntryState.CHECKING)
        .first()
    )
    if entry is None:
        return
    found: Measurement | AudioError
    try:
        found = measurement_of(entry.recording)
    except AudioError as error:
        found = error
    with claim.finishing():
        _settle(entry, found)


def spec_of(contest: Contest) -> DeliverySpec:
    """The contest's delivery spec; its length is that of the pack's reference mix."""
    reference = contest.pack.reference_mix
    return DeliverySpec(
        channels=contest.spec_channels,
        sample_rate_hz=contest.spec_sample_rate_hz,
        bit_depth=contest.spec_bit_depth,
        true_peak_ceiling_dbtp=contest.spec_true_peak_ceiling_dbtp,
        length_tolerance_s=contest.spec_length_tolerance_s,
        reference_s=reference.duration_s if reference else None,
        lowest_lufs=contest.spec_lowest_lufs,
        highest_lufs=contest.spec_highest_lufs,
    )


def delivered(recording: Recording, measurement: Measurement) -> Delivered:
    """What arrived, in the words of the comparison."""
    return Delivered(
        sample_rate_hz=recording.sample_rate_hz,
        subtype=recording.subtype,
        channels=recording.channels,
        duration_s=recording.duration_s,
        integrated_lufs=measurement.integrated_lufs,
        true_peak_dbtp=measurement.true_peak_dbtp,
        silent=measurement.silent,
    )


def _settle(entry: Entry, found: Measurement | AudioError) -> None:
    """Take the arrows that follow from what was found. The caller's transaction is open."""
    # Submitting, withdrawing and settling all take this row first, so they take turns.
    Contest.objects.select_for_update().get(pk=entry.contest_id)
    entry.refresh_from_db(fields=["state"])
    if entry.state != EntryState.CHECKING:
        return  # withdrawn while it was measured
    earlier = Entry.objects.filter(
        contest=entry.contest_id, member=entry.member_id, state__in=STANDING_ENTRY
    ).first()
    # A repaired file takes the place of one that needs attention only when it is as asked.
    is_repair = Ruling.objects.filter(repair=entry).exists()
    earlier_stands = earlier is not None and (is_repair or earlier.state == EntryState.READY)
    problems = _problems(entry, found, earlier_stands=earlier_stands)
    entry.findings = [asdict(problem) for problem in problems]
    entry.save(update_fields=["findings"])

    if earlier is not None and earlier.state == EntryState.DISQUALIFIED:
        entry.move_to(EntryState.SET_ASIDE, note="The earlier entry was disqualified meanwhile.")
    elif problems and earlier_stands:
        entry.move_to(EntryState.SET_ASIDE, note="Not as asked; your earlier entry still stands.")
    else:
        if earlier is not None:  # first, because only one may stand
            earlier.move_to(EntryState.REPLACED, note=f"Replaced by {entry.receipt}.")
        entry.move_to(EntryState.ATTENTION if problems else EntryState.READY)
        if is_repair:
            comparing.screen_on(entry.contest)
    letters.entry_checked(entry, now=timezone.now())


def _problems(entry: Entry, found: Measurement | AudioError, *, earlier_stands: bool) -> list[Finding]:
    if isinstance(found, AudioError):
        return [finding_of(found, earlier_stands=earlier_stands)]
    arrived = delivered(entry.recording, found)
    return findings(spec_of(entry.contest), arrived, earlier_stands=earlier_stands)
