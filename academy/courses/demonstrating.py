"""Demos: variants of one passage, measured, matched to one loudness, and heard in the booth."""

from __future__ import annotations

import secrets
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.db import IntegrityError, transaction
from django.db.models import Max
from django.urls import reverse
from django.utils import timezone

from academy.courses.models import Demo, DemoVariant
from academy.members.models import Member
from analysis.intake import sealing
from analysis.intake.models import Recording
from analysis.intake.sealing import Received
from analysis.jobs import requesting
from analysis.jobs.claiming import Claim
from analysis.jobs.models import JobState
from analysis.listening import booth, planning, preparing
from analysis.listening.models import CopyState, ListeningCopy
from analysis.measuring.measuring import measurement_of

PREPARE_DEMO = "prepare_demo"
LEVEL_LUFS = -18.0  # the level and ceiling at which every set of this site is heard
CEILING_DBTP = -1.0
FEWEST = 2
LETTERS = "ABCDEF"  # one a variant: more than six cannot be told apart by ear


class DemoRefused(Exception):
    """The demo cannot be changed or prepared as asked; the sentence says why."""


@dataclass(frozen=True)
class DemoState:
    """How far a demo is: `ready` to be heard, `waiting`, `failed`, or `empty` when nobody asked for it."""

    word: str
    troubles: list[str]


@transaction.atomic
def add_variant(demo: Demo, recording: Recording, *, label: str, is_exaggerated: bool = False) -> DemoVariant:
    """Put a recording into a demo as its next variant, perhaps one that exaggerates on purpose.

    Raises DemoRefused when the demo holds the recording already, is full, was taken away, or is matched: a
    match plan is one decision for a whole set.
    """
    demo = _unmatched(demo.pk)
    if demo.variants.filter(recording__sha256=recording.sha256).exists():
        raise DemoRefused("The demo holds this recording already. A variant has to sound different.")
    last = demo.variants.aggregate(last=Max("position"))["last"] or 0
    if demo.variants.count() >= len(LETTERS):
        raise DemoRefused(f"A demo holds {len(LETTERS)} variants at most.")
    return DemoVariant.objects.create(
        demo=demo,
        recording=recording,
        label=label,
        is_exaggerated=is_exaggerated,
        position=last + 1,
        code=secrets.token_hex(16),
    )


def take_variant(
    demo: Demo, received: Received, *, owner: Member, now: datetime, label: str, is_exaggerated: bool = False
) -> DemoVariant:
    """Seal an upload as the next variant.

    Raises DemoRefused as `add_variant` does, and UploadRefused when something was made of the upload already;
    then nothing is sealed and the bytes are let go.
    """
    with sealing.or_let_go(received):
        recording = sealing.seal(received, owner=owner, now=now)
        return add_variant(demo, recording, label=label, is_exaggerated=is_exaggerated)


@transaction.atomic
def remove_variant(variant: DemoVariant) -> None:
    """Take a variant out of a demo, with its recording where nothing else has it.

    Raises DemoRefused once the demo is matched or was taken away.
    """
    _unmatched(variant.demo_id)
    variant.delete()
    sealing.forget(variant.recording)


@transaction.atomic
def remove_demo(demo: Demo) -> None:
    """Take a demo out of its lesson, with its variants and the copies by which they were heard.

    Their recordings leave the shelf where nothing else has them.
    """
    # Locked, so that a job which plans it at this moment is over or finds it gone.
    held = Demo.objects.select_for_update(of=("self",)).select_related("plan").filter(pk=demo.pk).first()
    if held is None:
        return
    # In one order, so that two demos which share recordings and go at once do not wait in a circle.
    recordings = sorted(_recordings_of(held), key=lambda one: one.pk)
    held.delete()
    if held.plan is not None:
        preparing.clear_plan(held.plan)
    for recording in recordings:
        sealing.forget(recording)


def request_preparation(demo: Demo) -> None:
    """Have the variants measured and matched. Raises DemoRefused for fewer than two."""
    if demo.variants.count() < FEWEST:
        raise DemoRefused("A demo compares: add at least two variants.")
    requesting.request(PREPARE_DEMO, demo.pk)


def prepare_demo(claim: Claim) -> None:
    """Measure the variants of the demo that the claim names, and plan the set. Copies are jobs of their own.

    A demo that has its plan is left as it is, one that was taken away is forgotten, and one whose variants
    became fewer than two waits to be asked for again.
    """
    demo = Demo.objects.filter(pk=claim.subject).first()
    if demo is None or demo.plan_id is not None:
        return
    try:
        for recording in _recordings_of(demo):
            measurement_of(recording)
    except (OSError, IntegrityError):
        if Demo.objects.filter(pk=demo.pk).exists():
            raise
        return  # its recordings went with it
    with claim.finishing():
        # Read again under the lock: what came meanwhile is unmeasured, and the next attempt takes it.
        demo = Demo.objects.select_for_update().filter(pk=demo.pk).first()
        if demo is None or demo.variants.count() < FEWEST:
            return
        demo.plan = planning.plan_set(
            _recordings_of(demo),
            wished_lufs=LEVEL_LUFS,
            ceiling_dbtp=CEILING_DBTP,
            shows_map=True,
            now=timezone.now(),
        )
        demo.save(update_fields=["plan"])


def state_of(demo: Demo) -> DemoState:
    """How far the demo is, with what is wrong with single variants in words."""
    if demo.plan_id is None:
        job = requesting.state_of(PREPARE_DEMO, demo.pk)
        if job in (JobState.QUEUED, JobState.RUNNING):
            return DemoState("waiting", [])
        return DemoState("failed" if job == JobState.FAILED else "empty", [])
    copies = _copies_of(demo)
    troubles = [
        f"{variant.label}: {copies[variant.recording_id].trouble}"
        for variant in demo.variants.all()
        if copies[variant.recording_id].state == CopyState.REFUSED
    ]
    states = [copy.state for copy in copies.values()]
    if CopyState.WAITING in states:
        return DemoState("waiting", troubles)
    return DemoState("ready" if CopyState.READY in states else "failed", troubles)


def booth_set(demo: Demo) -> dict[str, Any]:
    """The page's data for the booth. Demos are open: each copy has its letter and its name."""
    assert demo.plan is not None
    copies = _copies_of(demo)
    seats = [
        booth.Seat(
            copy=copies[variant.recording_id],
            key=variant.code,
            label=letter,
            name=variant.label,
            exaggerated=variant.is_exaggerated,
            segments_url=reverse("courses:demo_segment", args=[variant.code, 0]).removesuffix("0"),
        )
        for letter, variant in zip(LETTERS, demo.variants.all(), strict=False)
    ]
    return booth.booth_set(demo.plan, seats)


def copy_of(variant: DemoVariant) -> ListeningCopy | None:
    """The listening copy of a variant; None while there is no plan."""
    return ListeningCopy.objects.filter(plan=variant.demo.plan_id, recording=variant.recording_id).first()


def _unmatched(demo_id: int) -> Demo:
    """The demo, locked, while its variants may still change. Raises DemoRefused for any other."""
    demo = Demo.objects.select_for_update().filter(pk=demo_id).first()
    if demo is None:
        raise DemoRefused("This demo was taken away meanwhile. Look at the lesson’s demos again.")
    if demo.plan_id is not None:
        raise DemoRefused("This demo is matched already. Make a new one for other variants.")
    return demo


def _recordings_of(demo: Demo) -> list[Recording]:
    return [variant.recording for variant in demo.variants.select_related("recording")]


def _copies_of(demo: Demo) -> dict[Any, ListeningCopy]:
    return {copy.recording_id: copy for copy in ListeningCopy.objects.filter(plan=demo.plan_id)}
