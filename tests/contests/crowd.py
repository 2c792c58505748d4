"""Contests with thousands of entries, written straight into the tables: for page lengths and speeds only."""

from __future__ import annotations

import uuid
from collections.abc import Callable, Sequence
from datetime import timedelta

from django.utils import timezone

from academy.members.models import Member
from analysis.intake.models import Recording
from analysis.listening.models import CopyState, ListeningCopy, MatchPlan
from analysis.measuring.models import Measurement
from analysis.measuring.recipes import FULL
from contests.entering.receipts import new_reference
from contests.models import Assignment, Contest, Entry, Judge, Round
from contests.states import ContestState, EntryState, HearingState, RoundState
from tests import cast

SIZE_BYTES = 50_000_000
PANEL, HEARINGS = 40, 3
AT_ONCE = 500  # rows a statement


def open_contest(entries: int) -> Contest:
    """Open for two more days: nine in ten ready, the others need attention or are being checked.

    Half as many again were replaced. No file lies behind any of them.
    """
    now = timezone.now()
    contest = cast.contest(
        opens_at=now - timedelta(days=20),
        closes_at=now + timedelta(days=2),
        judging_until=now + timedelta(days=9),
        announced_at=now + timedelta(days=12),
    )
    people = _members(entries)
    states = [EntryState.READY] * 18 + [EntryState.ATTENTION, EntryState.CHECKING]
    _entries(contest, people, lambda number: states[number % len(states)])
    _entries(contest, people[: entries // 2], lambda number: EntryState.REPLACED)
    return contest


def judged_contest(entries: int) -> Contest:
    """Being judged: all entries ready with a copy, a third of the sheets submitted."""
    now = timezone.now()
    contest = cast.contest(
        state=ContestState.JUDGING,
        opens_at=now - timedelta(days=30),
        closes_at=now - timedelta(days=5),
        judging_until=now + timedelta(days=5),
        announced_at=now + timedelta(days=12),
        hearings_per_entry=HEARINGS,
    )
    made = _entries(contest, _members(entries), lambda number: EntryState.READY)
    plan = MatchPlan.objects.create(
        level_lufs=-18.0,
        wished_lufs=-18.0,
        ceiling_dbtp=-1.0,
        rate_hz=48_000,
        frames=48_000 * 180,
        segment_frames=96_000,
        planned_at=now,
    )
    ListeningCopy.objects.bulk_create(
        [
            ListeningCopy(plan=plan, recording_id=entry.recording_id, state=CopyState.READY, gain_db=-4.0)
            for entry in made
        ],
        batch_size=AT_ONCE,
    )
    round_ = Round.objects.create(
        contest=contest, plan=plan, hearings_per_entry=HEARINGS, seed=1, state=RoundState.JUDGING
    )
    judges = [Judge.objects.create(contest=contest, member=person) for person in _members(PANEL)]
    hearings = []
    for number, entry in enumerate(made):
        for which in range(HEARINGS):
            state = HearingState.SUBMITTED if which == 0 else HearingState.WAITING
            hearings.append(
                Assignment(
                    round=round_,
                    judge=judges[(number + which) % PANEL],
                    entry=entry,
                    position=number,
                    label=f"{number % 9999:04}",
                    code=uuid.uuid4().hex,
                    state=state,
                )
            )
    Assignment.objects.bulk_create(hearings, batch_size=AT_ONCE)
    return contest


def _members(count: int) -> list[Member]:
    """So many people without a pass phrase."""
    mark = uuid.uuid4().hex[:8]
    return Member.objects.bulk_create(
        [Member(email=f"{mark}-{number}@example.org", name=f"Member {number}") for number in range(count)],
        batch_size=AT_ONCE,
    )


def _entries(
    contest: Contest, people: Sequence[Member], state_of: Callable[[int], EntryState]
) -> list[Entry]:
    """One entry a person with its numbers, the later the more of them: most come in the last days."""
    now = timezone.now()
    begun, spent = contest.opens_at, min(now, contest.closes_at) - contest.opens_at
    recordings = [
        Recording(
            sha256=uuid.uuid4().hex * 2,
            size_bytes=SIZE_BYTES,
            storage_key=f"aa/{uuid.uuid4().hex}",
            original_name=f"{person.name} final.wav",
            owner=person,
            sealed_at=now,
            format="WAV",
            subtype="PCM_24",
            sample_rate_hz=48_000,
            channels=2,
            frames=48_000 * 180,
        )
        for person in people
    ]
    Recording.objects.bulk_create(recordings, batch_size=AT_ONCE)
    Measurement.objects.bulk_create(
        [
            Measurement(
                recording=recording, recipe=FULL, measured_at=now, integrated_lufs=-14.0, true_peak_dbtp=-1.2
            )
            for recording in recordings
        ],
        batch_size=AT_ONCE,
    )
    made = []
    for number, (person, recording) in enumerate(zip(people, recordings, strict=True)):
        state = state_of(number)
        made.append(
            Entry(
                contest=contest,
                member=person,
                recording=recording,
                state=state,
                receipt=new_reference(),
                received_at=begun + spent * (1 - (1 - (number + 0.5) / len(people)) ** 2),
                rules_version=contest.rules_version,
                findings=[{"code": "rate", "message": "Your file is 44.1 kHz; this contest asks for 48 kHz."}]
                if state == EntryState.ATTENTION
                else [],
            )
        )
    return Entry.objects.bulk_create(made, batch_size=AT_ONCE)
