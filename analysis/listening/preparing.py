"""Make one listening copy for the shelf: rendered, read by two meters, cut, kept. And clear a plan away."""

from __future__ import annotations

import functools
import math
import tempfile
import uuid
from pathlib import Path

from django.conf import settings
from django.db import transaction

from analysis.dsp.alignment import Offset
from analysis.intake import keeping
from analysis.jobs.claiming import Claim
from analysis.listening import copies, planning, segments
from analysis.listening.copies import CopyRefused, MadeCopy
from analysis.listening.models import CopyState, ListeningCopy, MatchPlan

FOUND = [
    *("state", "trouble", "offset_frames", "polarity", "folder_key", "segment_count"),
    *("copy_lufs", "second_meter_lufs", "copy_true_peak_dbtp", "outline"),
]
"""What making a copy finds out about it."""

PART_FOUND = [
    *("state", "trouble", "offset_frames", "polarity"),
    *("part_lufs", "part_true_peak_dbtp", "is_part_measured"),
]
"""What measuring a part finds out."""


def make_copy(claim: Claim) -> None:
    """Prepare the copy that the claim names. One that misses the plan is refused: no judge hears it.

    A copy whose plan was cleared away meanwhile is forgotten, and what was kept for it is removed; so is what
    an earlier attempt kept before it broke off.
    """
    copy = (
        ListeningCopy.objects.select_related("plan__reference", "recording").filter(pk=claim.subject).first()
    )
    if copy is None or copy.state != CopyState.WAITING:
        return
    _discard_segments(copy)
    is_kept = False
    try:
        is_kept = _make_copy(claim, copy)
    finally:
        if not is_kept:  # it broke off, the lease was lost, or the plan is gone
            _discard_segments(copy)


def _make_copy(claim: Claim, copy: ListeningCopy) -> bool:
    """Render and keep the copy, and write it back; whether its segments are to stay."""
    with tempfile.TemporaryDirectory(dir=settings.INCOMING_DIR) as folder:
        try:
            made = _render(copy, Path(folder))
        except CopyRefused as exc:
            copy.state, copy.trouble = CopyState.REFUSED, str(exc)
        else:
            copy.state = CopyState.READY
            copy.offset_frames, copy.polarity = made.offset_frames, made.polarity
            copy.copy_lufs, copy.second_meter_lufs = made.copy_lufs, made.second_meter_lufs
            copy.copy_true_peak_dbtp = made.copy_true_peak_dbtp
            copy.outline = made.outline
            _keep_segments(copy, made)
    with claim.finishing():
        is_wanted = ListeningCopy.objects.select_for_update().filter(pk=copy.pk).exists()
        if is_wanted:
            copy.save(update_fields=FOUND)
    return is_wanted


def measure_part(claim: Claim) -> None:
    """Align a recording and measure the part of it that its plan is about; the last one settles the level.

    A recording that cannot be used is refused. One whose plan was cleared away meanwhile is forgotten.
    """
    copy = (
        ListeningCopy.objects.select_related("plan__reference", "recording").filter(pk=claim.subject).first()
    )
    if copy is None or copy.state != CopyState.WAITING or copy.is_part_measured:
        return
    try:
        _measure_part(copy)
    except CopyRefused as exc:
        copy.state, copy.trouble = CopyState.REFUSED, str(exc)
    copy.is_part_measured = True
    with claim.finishing():
        # The plan's row first: workers that finish together take turns, and the last one sees all.
        plan = MatchPlan.objects.select_for_update().filter(pk=copy.plan_id).first()
        if plan is not None:
            copy.save(update_fields=PART_FOUND)
            planning.settle_levels(plan)


def _measure_part(copy: ListeningCopy) -> None:
    plan = copy.plan
    assert plan.reference is not None, "a part is told by the reference's clock"
    with (
        keeping.local_path(copy.recording.storage_key) as source,
        keeping.local_path(plan.reference.storage_key) as reference,
    ):
        original = copies.Original(source, rate_hz=plan.rate_hz)
        offset = copies.offset_against(original, reference)
        copy.offset_frames, copy.polarity = offset.frames, offset.polarity
        found = copies.measure_as_heard(
            original, offset_frames=offset.frames + plan.start_frames, frames=plan.frames
        )
    copy.part_lufs = found.integrated_lufs if math.isfinite(found.integrated_lufs) else None
    copy.part_true_peak_dbtp = found.true_peak_dbtp if math.isfinite(found.true_peak_dbtp) else None


@transaction.atomic
def clear_plan(plan: MatchPlan) -> None:
    """Forget a plan that nothing leads to any more, with its copies; their bytes go after the commit."""
    gone = list(plan.copies.select_for_update())
    plan.delete()
    for copy in gone:
        transaction.on_commit(functools.partial(_discard_segments, copy), robust=True)


def _render(copy: ListeningCopy, folder: Path) -> MadeCopy:
    plan = copy.plan
    assert plan.level_lufs is not None, "a plan without a level has no waiting copies"
    recordings = [copy.recording] if plan.reference is None else [copy.recording, plan.reference]
    known = None
    if copy.is_part_measured:
        known = Offset(frames=copy.offset_frames, polarity=copy.polarity, confidence=1.0)
    with keeping.local_paths(one.storage_key for one in recordings) as (source, *references):
        return copies.make_copy(
            source,
            folder,
            segment_frames=plan.segment_frames,
            level_lufs=plan.level_lufs,
            ceiling_dbtp=plan.ceiling_dbtp,
            gain_db=copy.gain_db,
            rate_hz=plan.rate_hz,
            frames=plan.frames,
            seed=copy.pk,
            reference=references[0] if references else None,
            offset=known,
            start_frames=plan.start_frames,
        )


def _keep_segments(copy: ListeningCopy, made: MadeCopy) -> None:
    # A folder of its own for each attempt: a worker that overslept cannot touch a newer one's segments.
    name = uuid.uuid4().hex
    copy.folder_key = f"{name[:2]}/{name}"
    plan = copy.plan
    if plan.hides_sizes:
        copies.hide_sizes(made.segments, frames=plan.frames, segment_frames=plan.segment_frames)
    copy.segment_count = len(made.segments)
    # Written down before the first one is kept: a worker that is killed on the way leaves word of where its
    # segments lie, for the next attempt or for whoever clears the plan. A copy that another worker finished
    # meanwhile keeps its own.
    ListeningCopy.objects.filter(pk=copy.pk, state=CopyState.WAITING).update(
        folder_key=copy.folder_key, segment_count=copy.segment_count
    )
    for index, part in enumerate(made.segments):
        keeping.adopt(part, key=segments.segment_key(copy, index))


def _discard_segments(copy: ListeningCopy) -> None:
    for index in range(copy.segment_count):
        keeping.discard(segments.segment_key(copy, index))
