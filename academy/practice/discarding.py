"""Throw away what is no longer wanted: versions with their audio, sets with their copies and segments.

A version is out of sight at once; a job then removes the bytes, once no worker is making a copy from them.
"""

from __future__ import annotations

import time
from functools import partial

from django.db import transaction

from academy.practice.models import MixState, Practice, PracticeMix
from analysis.intake import keeping, sealing
from analysis.jobs import requesting
from analysis.jobs.claiming import Claim
from analysis.jobs.models import Job, JobState
from analysis.listening import segments
from analysis.listening.models import ListeningCopy, MatchPlan
from analysis.listening.planning import MAKE_COPY

DISCARD_PLAN = "discard_practice_plan"
"""The kind of job; its subject is a match plan's primary key."""
REMOVE_MIXES = "remove_practice_mixes"
"""The kind of job; its subject is a practice's primary key."""

LONGEST_WAIT_S = 60.0
WAIT_S = 0.5


class StillCopied(Exception):
    """A worker is still making a copy of what is to be thrown away; the next attempt finds it done."""


def request_discard(plan: MatchPlan) -> None:
    """Have a set thrown away that no practice uses any more."""
    requesting.request(DISCARD_PLAN, plan.pk)


def request_removal(practice: Practice) -> None:
    """Have the deleted versions of a practice removed, if there are any."""
    if practice.mixes.filter(state=MixState.DELETED).exists():
        requesting.request(REMOVE_MIXES, practice.pk)


def discard_plan(claim: Claim) -> None:
    """Remove the plan that the claim names, its copies, and their segments from the shelf."""
    plan = MatchPlan.objects.filter(pk=claim.subject).first()
    if plan is None or Practice.objects.filter(plan=plan).exists():
        return
    _stop_copying(plan)
    keys = [key for copy in plan.copies.all() for key in _segment_keys(copy)]
    with claim.finishing():
        # Locked, so that a removal which is at work in this moment is over before it is asked for again.
        held = PracticeMix.objects.filter(recording__in=plan.copies.values("recording"))
        owning = Practice.objects.filter(pk__in=held.values("practice"))
        owners = list(owning.select_for_update().order_by("pk"))
        plan.delete()  # and its copies with it
        transaction.on_commit(partial(_discard_all, keys), robust=True)
        for practice in owners:
            request_removal(practice)


def remove_mixes(claim: Claim) -> None:
    """Remove the deleted versions of the practice that the claim names: rows, notes, report and audio.

    One that a set still holds is left: throwing that set away asks again.
    """
    with claim.finishing():
        # Whoever deletes a version holds this row: one that is deleted at this moment is either among these
        # or asks for a run of its own.
        Practice.objects.select_for_update().filter(pk=claim.subject).first()
        deleted = PracticeMix.objects.filter(practice=claim.subject, state=MixState.DELETED)
        held = ListeningCopy.objects.filter(recording__in=deleted.values("recording")).values("recording")
        for mix in list(deleted.exclude(recording__in=held).select_related("recording")):
            mix.delete()
            sealing.forget(mix.recording)


def _stop_copying(plan: MatchPlan) -> None:
    """Take the waiting jobs off the table and wait for the running ones, so that none leaves bytes behind."""
    copies = [str(pk) for pk in plan.copies.values_list("pk", flat=True)]
    jobs = Job.objects.filter(kind=MAKE_COPY, subject__in=copies)
    until = time.monotonic() + LONGEST_WAIT_S
    while True:
        jobs.filter(state=JobState.QUEUED).delete()
        if not jobs.filter(state=JobState.RUNNING).exists():
            jobs.delete()
            return
        if time.monotonic() > until:
            raise StillCopied(f"{plan}: a copy of it is still being made")
        time.sleep(WAIT_S)


def _segment_keys(copy: ListeningCopy) -> list[str]:
    return [segments.segment_key(copy, index) for index in range(copy.segment_count)]


def _discard_all(keys: list[str]) -> None:
    for key in keys:
        keeping.discard(key)
