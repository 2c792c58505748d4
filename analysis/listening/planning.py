"""Decide one level, rate and length for a set of recordings, and have its copies made."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import datetime

from django.db import transaction
from django.db.models import QuerySet

from analysis.dsp import matching
from analysis.intake.models import Recording
from analysis.jobs import requesting
from analysis.listening.models import CopyState, ListeningCopy, MatchPlan
from analysis.measuring.measuring import kept_measurement

MAKE_COPY = "make_copy"
MEASURE_PART = "measure_part"
SEGMENT_S = 2
"""Short segments make a switch on a slow line cheap: about half a megabyte each at 24 bit stereo."""

PLACED = [
    *("gain_db", "offset_frames", "polarity"),
    *("part_lufs", "part_true_peak_dbtp", "is_part_measured"),
]
"""What a plan has decided or measured about a copy before it is made."""

END_TOLERANCE_S = 0.05
"""A reference that is shown as lasting so long may be some milliseconds shorter."""

MONO_IN_TWO_LU = 10.0 * math.log10(2.0)
"""A mono recording is heard from both loudspeakers: BS.1770 adds up the power of equal channels."""


class CannotPlan(Exception):
    """The set cannot be matched yet; the sentence says why."""


@transaction.atomic
def plan_set(
    recordings: Sequence[Recording],
    *,
    wished_lufs: float,
    ceiling_dbtp: float,
    reference: Recording | None = None,
    shows_map: bool = False,
    hides_sizes: bool = False,
    now: datetime,
) -> MatchPlan:
    """Make the match plan of a set and request a job for each copy.

    The level is the wish, or lower for the whole set when one recording would pass the ceiling at it. The
    copies get one rate (the set's own where all agree, else 48 kHz) and one length: the reference's, or the
    longest. With a reference they are aligned to its start. Silence has no level, so its copy is refused.
    `shows_map` lets the booth draw the outline of the copy that sounds. `hides_sizes` fills all segments up
    to one size, for a set in which two copies of one recording must not be told by their bytes.

    Raises CannotPlan for an empty set and for a recording that has not been measured.
    """
    if not recordings:
        raise CannotPlan("There is nothing to match.")
    levels = _levels_of(recordings, wished_lufs=wished_lufs, ceiling_dbtp=ceiling_dbtp)
    rate_hz = matching.common_rate_hz(recording.sample_rate_hz for recording in recordings)
    longest_s = reference.duration_s if reference else max(recording.duration_s for recording in recordings)
    plan = MatchPlan.objects.create(
        wished_lufs=wished_lufs,
        ceiling_dbtp=ceiling_dbtp,
        level_lufs=levels.level_lufs,
        lowered_db=levels.lowered_db,
        limiting=None if levels.limiting is None else recordings[levels.limiting],
        reference=reference,
        rate_hz=rate_hz,
        frames=round(longest_s * rate_hz),
        segment_frames=SEGMENT_S * rate_hz,
        shows_map=shows_map,
        hides_sizes=hides_sizes,
        planned_at=now,
    )
    for recording, gain_db in zip(recordings, levels.gains_db, strict=True):
        copy = ListeningCopy(plan=plan, recording=recording, gain_db=gain_db or 0.0)
        if gain_db is None:
            copy.state, copy.trouble = (
                CopyState.REFUSED,
                "The recording is silent, so it has no level to match.",
            )
        copy.save()
        if copy.state == CopyState.WAITING:
            requesting.request(MAKE_COPY, copy.pk)
    return plan


@transaction.atomic
def add_to_plan(plan: MatchPlan, recording: Recording) -> ListeningCopy:
    """Have a copy made for one recording more, at the plan's level. Nothing about the others changes.

    Raises CannotPlan for a recording that has not been measured, is silent, or would pass the ceiling at that
    level, and while the level of a plan is not known. In a plan of a part the part is measured first.
    """
    if plan.level_lufs is None:
        raise CannotPlan("The level of this set is not known yet.")
    if plan.is_part:
        copy = ListeningCopy.objects.create(plan=plan, recording=recording, gain_db=0.0)
        requesting.request(MEASURE_PART, copy.pk)
        return copy
    levels = _levels_of([recording], wished_lufs=plan.level_lufs, ceiling_dbtp=plan.ceiling_dbtp)
    (gain_db,) = levels.gains_db
    if gain_db is None:
        raise CannotPlan("The recording is silent, so it has no level to match.")
    if levels.lowered_db > 0:
        raise CannotPlan(
            f"At the level of this set it would pass the ceiling by {levels.lowered_db:.1f} dB, and the "
            "copies that judges have heard do not change any more."
        )
    copy = ListeningCopy.objects.create(plan=plan, recording=recording, gain_db=gain_db)
    requesting.request(MAKE_COPY, copy.pk)
    return copy


@transaction.atomic
def copy_again(plan: MatchPlan, recordings: QuerySet[Recording]) -> None:
    """Have a second copy made of some recordings of a plan: same gain, start and length, another dither.

    For whoever is to hear one mix twice without knowing. The bytes of the two share nothing that a comparison
    of files would find, and in a plan that hides sizes not even their length; their sound is the same down to
    the dither. A recording that has a second copy
    already, or whose first one was refused, is passed over. In a plan of a part whose level is not known yet
    the second copy waits for it like the first.
    """
    # The plan's row first, so that its level is not settled meanwhile without the new copies.
    plan = MatchPlan.objects.select_for_update().get(pk=plan.pk)
    asked = plan.copies.filter(recording__in=recordings)
    has_two = asked.filter(number=1).values("recording")
    firsts = asked.filter(number=0).exclude(recording__in=has_two).exclude(state=CopyState.REFUSED)
    for first in firsts.order_by("pk"):
        second = ListeningCopy.objects.create(
            plan=plan,
            recording_id=first.recording_id,
            number=1,
            **{name: getattr(first, name) for name in PLACED},
        )
        is_to_be_measured = plan.is_part and not second.is_part_measured
        if is_to_be_measured or plan.level_lufs is not None:
            requesting.request(MEASURE_PART if is_to_be_measured else MAKE_COPY, second.pk)


@transaction.atomic
def plan_part(
    recordings: Sequence[Recording],
    *,
    start_s: float,
    end_s: float,
    reference: Recording,
    wished_lufs: float,
    ceiling_dbtp: float,
    shows_map: bool = False,
    hides_sizes: bool = False,
    now: datetime,
) -> MatchPlan:
    """Make the match plan of one part of a set, told by the reference's clock, and have the part measured.

    The loudness of a whole mix says little of half a minute of it, so the level waits: a job aligns each
    recording and measures the part, and the last one to finish calls `settle_levels`, which has the copies
    made. Until then the plan has no level. Raises CannotPlan for an empty set and for a part that does not
    lie within the reference.
    """
    if not recordings:
        raise CannotPlan("There is nothing to match.")
    if not 0 <= start_s < end_s <= reference.duration_s + END_TOLERANCE_S:
        raise CannotPlan(
            f"The part from {start_s:g} s to {end_s:g} s does not lie within the reference mix, which lasts "
            f"{reference.duration_s:.1f} s. Choose another part."
        )
    rate_hz = matching.common_rate_hz(recording.sample_rate_hz for recording in recordings)
    plan = MatchPlan.objects.create(
        wished_lufs=wished_lufs,
        ceiling_dbtp=ceiling_dbtp,
        reference=reference,
        rate_hz=rate_hz,
        frames=round((end_s - start_s) * rate_hz),
        start_frames=round(start_s * rate_hz),
        is_part=True,
        segment_frames=SEGMENT_S * rate_hz,
        shows_map=shows_map,
        hides_sizes=hides_sizes,
        planned_at=now,
    )
    for recording in recordings:
        copy = ListeningCopy.objects.create(plan=plan, recording=recording, gain_db=0.0)
        requesting.request(MEASURE_PART, copy.pk)
    return plan


def settle_levels(plan: MatchPlan) -> None:
    """Decide the level of a plan of a part once all of it is measured, and request the copies; else nothing.

    To be called in the transaction that keeps a measurement, with the plan's row locked: of two workers that
    finish together the second one sees what the first has kept.
    """
    copies = list(plan.copies.select_related("recording").order_by("pk"))
    measured = [copy for copy in copies if copy.state == CopyState.WAITING]
    if plan.level_lufs is not None:
        _join_part(plan, measured)
        return
    if not measured or not all(copy.is_part_measured for copy in measured):
        return
    levels = matching.plan_levels(
        [-math.inf if copy.part_lufs is None else copy.part_lufs for copy in measured],
        [-math.inf if copy.part_true_peak_dbtp is None else copy.part_true_peak_dbtp for copy in measured],
        wished_lufs=plan.wished_lufs,
        ceiling_dbtp=plan.ceiling_dbtp,
    )
    plan.level_lufs, plan.lowered_db = levels.level_lufs, levels.lowered_db
    plan.limiting = None if levels.limiting is None else measured[levels.limiting].recording
    plan.save(update_fields=["level_lufs", "lowered_db", "limiting"])
    for copy, gain_db in zip(measured, levels.gains_db, strict=True):
        if gain_db is None:
            copy.state, copy.trouble = CopyState.REFUSED, "This part of the recording is silent."
        else:
            copy.gain_db = gain_db
            requesting.request(MAKE_COPY, copy.pk)
        copy.save(update_fields=["state", "trouble", "gain_db"])


def _join_part(plan: MatchPlan, waiting: Sequence[ListeningCopy]) -> None:
    """Bring what was added to a plan of a part, and is measured now, to the level that the others have."""
    assert plan.level_lufs is not None
    for copy in waiting:
        if not copy.is_part_measured or copy.gain_db != 0.0:
            continue  # not measured yet, or its copy is in the making
        gain_db = None if copy.part_lufs is None else plan.level_lufs - copy.part_lufs
        peak_dbtp = -math.inf if copy.part_true_peak_dbtp is None else copy.part_true_peak_dbtp
        if gain_db is None:
            copy.state, copy.trouble = CopyState.REFUSED, "This part of the recording is silent."
        elif peak_dbtp + gain_db > plan.ceiling_dbtp:
            copy.state, copy.trouble = (
                CopyState.REFUSED,
                "At the level of this set it would pass the ceiling.",
            )
        else:
            copy.gain_db = gain_db
            requesting.request(MAKE_COPY, copy.pk)
        copy.save(update_fields=["state", "trouble", "gain_db"])


def _levels_of(
    recordings: Sequence[Recording], *, wished_lufs: float, ceiling_dbtp: float
) -> matching.LevelPlan:
    loudness_lufs, true_peak_dbtp = [], []
    for recording in recordings:
        found = kept_measurement(recording)
        if found is None:
            raise CannotPlan(f"{recording.original_name} has not been measured yet.")
        loudness = -math.inf if found.integrated_lufs is None else found.integrated_lufs
        loudness_lufs.append(loudness + (MONO_IN_TWO_LU if recording.channels == 1 else 0.0))
        true_peak_dbtp.append(-math.inf if found.true_peak_dbtp is None else found.true_peak_dbtp)
    return matching.plan_levels(
        loudness_lufs, true_peak_dbtp, wished_lufs=wished_lufs, ceiling_dbtp=ceiling_dbtp
    )
