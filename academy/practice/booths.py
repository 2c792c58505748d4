"""The set in which a member's versions are heard: the newest ones, the reference, and the plain sum.

One match plan for all of them, made when the booth is first opened and anew when a version comes or goes; the
earlier one is then thrown away. Whoever only reads reports needs no copies.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any
from uuid import UUID

from django.db import transaction
from django.urls import reverse
from django.utils import timezone

from academy.packs.models import StemPack
from academy.practice import discarding, grounds
from academy.practice.models import MixState, Practice, PracticeMix
from analysis.intake.models import Recording
from analysis.jobs import requesting
from analysis.jobs.claiming import Claim
from analysis.jobs.models import JobState
from analysis.listening import booth, planning
from analysis.listening.models import CopyState, ListeningCopy, MatchPlan
from analysis.measuring.measuring import kept_measurement, measurement_of

PREPARE_BOOTH = "prepare_practice_booth"
"""The kind of job; its subject is a practice's primary key."""
LEVEL_LUFS, CEILING_DBTP = -18.0, -1.0  # at which every set of this site is heard
MOST_VERSIONS = 5
"""The newest so many are heard; each copy takes the room of a file. Common practice, no source."""


@dataclass(frozen=True)
class BoothState:
    """How far the set is: `ready`, `waiting`, `failed`, or `empty` without a version to hear."""

    word: str
    troubles: list[str]


def open_booth(practice: Practice) -> None:
    """Have the set made where there is none yet, and anew where something else belongs into it by now.

    That may be another reference mix, or another version of the pack with stems of its own.
    """
    if not _versions(practice):
        return
    plain_sum = grounds.kept_plain_sum_of(practice.pack)
    if plain_sum is None or _held(practice) != {one.pk for one in _wanted(practice, plain_sum)}:
        with transaction.atomic():
            requesting.request(PREPARE_BOOTH, practice.pk)


def renew_booth(practice: Practice) -> None:
    """Have a set that was made brought in line with the versions. Call it with the practice's row locked."""
    if Practice.objects.exclude(plan=None).filter(pk=practice.pk).exists() or _is_being_made(practice):
        requesting.request(PREPARE_BOOTH, practice.pk)


def _is_being_made(practice: Practice) -> bool:
    return requesting.state_of(PREPARE_BOOTH, practice.pk) in {JobState.QUEUED, JobState.RUNNING}


def prepare_booth(claim: Claim) -> None:
    """Bring the set that the claim names in line. Changes nothing where it is already."""
    practice = Practice.objects.select_related("pack__reference_mix").filter(pk=claim.subject).first()
    if practice is None:
        return
    plain_sum = None
    if _versions(practice):
        plain_sum = grounds.plain_sum_of(practice.pack)
        if practice.pack.reference_mix is not None:
            measurement_of(practice.pack.reference_mix)  # a new one may not have been measured yet
    with claim.finishing():
        # Read again under the lock: whoever settles or deletes a version takes it too.
        practice = Practice.objects.select_for_update().get(pk=practice.pk)
        _bring_in_line(practice, plain_sum)


def _bring_in_line(practice: Practice, plain_sum: Recording | None) -> None:
    wanted, old_plan = _wanted(practice, plain_sum), practice.plan
    if _held(practice) == {recording.pk for recording in wanted}:
        discarding.request_removal(practice)
        return
    practice.plan = _plan(wanted, reference=practice.pack.reference_mix) if wanted else None
    practice.save(update_fields=["plan"])
    if old_plan is not None:
        discarding.request_discard(old_plan)
    discarding.request_removal(practice)


def _held(practice: Practice) -> set[UUID]:
    """The recordings in the set as the practice was read; none where that set is gone meanwhile."""
    copies = ListeningCopy.objects.filter(plan=practice.plan_id)
    return set() if practice.plan_id is None else set(copies.values_list("recording_id", flat=True))


def _wanted(practice: Practice, plain_sum: Recording | None) -> list[Recording]:
    versions = [mix.recording for mix in _versions(practice)]
    return _companions(practice.pack, plain_sum) + versions if versions else []


def _versions(practice: Practice) -> list[PracticeMix]:
    """The newest ones, and those that somebody may hear by a link; oldest first."""
    ready = list(practice.mixes.filter(state=MixState.READY).select_related("recording").order_by("-number"))
    return [mix for at, mix in enumerate(ready) if at < MOST_VERSIONS or mix.share_code is not None][::-1]


def _companions(pack: StemPack, plain_sum: Recording | None) -> list[Recording]:
    """The reference and the plain sum, where they have a loudness to match."""
    companions = [one for one in (pack.reference_mix, plain_sum) if one is not None]
    measured = {one.pk: kept_measurement(one) for one in companions}
    return [one for one in companions if (found := measured[one.pk]) and found.integrated_lufs is not None]


def _plan(recordings: list[Recording], *, reference: Recording | None) -> MatchPlan:
    return planning.plan_set(
        recordings,
        wished_lufs=LEVEL_LUFS,
        ceiling_dbtp=CEILING_DBTP,
        reference=reference if reference in recordings else None,
        shows_map=True,  # nobody is blind here
        now=timezone.now(),
    )


def state_of(practice: Practice) -> BoothState:
    """How far the set is, with what is wrong with single copies in words."""
    if _is_being_made(practice):
        return BoothState("waiting", [])
    if practice.plan_id is None:
        has_failed = requesting.state_of(PREPARE_BOOTH, practice.pk) == JobState.FAILED
        return BoothState("failed" if has_failed else "empty", [])
    copies = list(practice.plan.copies.all())
    names = {seat.copy.pk: seat.name for seat in _seats(practice, copies)}
    troubles = [
        f"{names[copy.pk]}: {copy.trouble}"
        for copy in copies
        if copy.state == CopyState.REFUSED and copy.pk in names
    ]
    states = {copy.state for copy in copies}
    if CopyState.WAITING in states:
        return BoothState("waiting", troubles)
    return BoothState("ready" if CopyState.READY in states else "failed", troubles)


def holds(practice: Practice, mix: PracticeMix) -> bool:
    """Whether the version is in the set: beside the shared ones only the newest are."""
    return mix.recording_id in _held(practice)


def booth_set(practice: Practice, *, first: PracticeMix, with_the_teachers: bool) -> dict[str, Any]:
    """The page's data for the booth: every seat with its letter and its name, and the song's sections.

    The reference and the plain sum are left out for whom the pack is not open to.
    """
    assert practice.plan is not None
    seats = _seats(
        practice, list(practice.plan.copies.all()), first=first, with_the_teachers=with_the_teachers
    )
    return booth.booth_set(practice.plan, seats, _sections(practice.pack))


def shared_set(mix: PracticeMix) -> dict[str, Any] | None:
    """The booth's data for whoever has the link: this version alone. None while there is no copy of it."""
    plan = mix.practice.plan
    copy = (
        None
        if plan is None
        else plan.copies.filter(recording=mix.recording_id, state=CopyState.READY).first()
    )
    if plan is None or copy is None:
        return None
    address = reverse("practice:shared_segment", args=[mix.share_code, copy.pk, 0]).removesuffix("0")
    seat = booth.Seat(
        copy=copy, key=str(copy.pk), label="A", name=f"Version {mix.number}", segments_url=address
    )
    return booth.booth_set(plan, [seat], _sections(mix.practice.pack))


def _sections(pack: StemPack) -> list[booth.Section]:
    return [booth.Section(one["name"], one["start_s"]) for one in grounds.sections_of(pack)]


LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"


def _seats(
    practice: Practice,
    copies: list[ListeningCopy],
    *,
    first: PracticeMix | None = None,
    with_the_teachers: bool = True,
) -> list[booth.Seat]:
    """The version asked for (else the newest), reference, plain sum, the other versions newest first."""
    by_recording = {copy.recording_id: copy for copy in copies}
    standing = practice.mixes.exclude(state=MixState.DELETED)
    versions = list(standing.filter(recording__in=by_recording).order_by("-number"))
    versions.sort(key=lambda mix: mix != first)  # keeps the order of the others
    named: list[tuple[Any, str]] = [(mix.recording_id, f"Version {mix.number}") for mix in versions]
    companions = []
    if with_the_teachers:
        companions.append((practice.pack.reference_mix_id, "Reference mix"))
        ground = getattr(practice.pack, "practice_ground", None)
        if ground is not None:
            companions.append((ground.plain_sum_id, "Plain sum of the stems"))
    order = [*named[:1], *companions, *named[1:]]
    return [
        booth.Seat(
            copy=by_recording[recording],
            key=str(by_recording[recording].pk),
            label=letter,
            name=name,
            segments_url=reverse("practice:segment", args=[by_recording[recording].pk, 0]).removesuffix("0"),
        )
        for letter, (recording, name) in zip(
            LETTERS, [one for one in order if one[0] in by_recording], strict=False
        )
    ]
