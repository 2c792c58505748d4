"""Decide one level, rate and length for a set of recordings, and have its copies made."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import datetime

from django.db import transaction

from analysis.dsp import matching
from analysis.intake.models import Recording
from analysis.jobs import requesting
from analysis.listening.models import CopyState, ListeningCopy, MatchPlan
from analysis.measuring.measuring import kept_measurement

MAKE_COPY = "make_copy"
USUAL_RATE_HZ = 48_000
SEGMENT_S = 2
"""Short segments make a switch on a slow line cheap: about half a megabyte each at 24 bit stereo."""


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
    now: datetime,
) -> MatchPlan:
    """Make the match plan of a set and request a job for each copy.

    The level is the wish, or lower for the whole set when one recording would pass the ceiling at it. The
    copies get one rate (the set's own where all agree, else 48 kHz) and one length: the reference's, or the
    longest. With a reference they are aligned to its start. Silence has no level, so its copy is refused.
    `shows_map` lets the booth draw the outline of the copy that sounds.

    Raises CannotPlan for an empty set and for a recording that has not been measured.
    """
    if not recordings:
        raise CannotPlan("There is nothing to match.")
    levels = _levels_of(recordings, wished_lufs=wished_lufs, ceiling_dbtp=ceiling_dbtp)
    rate_hz = _common_rate_hz(recordings)
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


def _common_rate_hz(recordings: Sequence[Recording]) -> int:
    rates = {recording.sample_rate_hz for recording in recordings}
    return rates.pop() if len(rates) == 1 else USUAL_RATE_HZ
