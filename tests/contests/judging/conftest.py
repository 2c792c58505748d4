"""A round that is open to its judges: real entries, a real match plan, copies made by the real job."""

from __future__ import annotations

import io
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from decimal import Decimal

import numpy as np
import pytest
from django.test import Client
from numpy.typing import NDArray

from academy.members.models import Member
from analysis.intake import sealing
from analysis.intake.models import Recording
from analysis.listening import planning
from analysis.measuring.measuring import measurement_of
from contests.judging.assigning import assign_round, entries_of_round
from contests.models import Assignment, Contest, Entry, Judge, Round
from contests.states import ContestState, EntryState, RoundState
from tests import cast
from tests.clock import Clock, stopped_at
from tests.working import work_off

JUDGES = ("Ruy Halden", "Ilse Vanner", "Tomas Brek")
ENTRANTS = ("Ansa Merrow", "Bero Lund", "Cato Wick", "Dunja Ferro")


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Clock:
    """Two days after the close of entries, while there is time to judge."""
    return stopped_at(cast.NOW + timedelta(days=3), monkeypatch)


@dataclass
class Stage:
    """A contest in judging with its round."""

    contest: Contest
    round: Round
    judges: list[Judge]
    entries: list[Entry]

    def hearings(self, judge: Judge) -> list[Assignment]:
        """A judge's hearings in that judge's order."""
        return list(self.round.assignments.filter(judge=judge).order_by("position"))


def music(seed: int, *, seconds: float = 1.2, rate_hz: int = 48_000) -> NDArray[np.float64]:
    """Soft noise without much near half the rate, shape (n_frames, 2)."""
    n_frames = round(seconds * rate_hz)
    noise = np.random.default_rng(seed).standard_normal((n_frames + 7, 2))
    return 0.1 * np.lib.stride_tricks.sliding_window_view(noise, 8, axis=0).mean(axis=-1)


def entry(
    contest: Contest,
    member: Member,
    *,
    recording: Recording | None = None,
    state: EntryState = EntryState.READY,
    received_at: datetime = cast.NOW,
    note: str = "",
) -> Entry:
    """An entry as it is after its check."""
    number = Entry.objects.count() + 1
    return Entry.objects.create(
        contest=contest,
        member=member,
        recording=recording or cast.recording(owner=member),
        state=state,
        receipt=f"2345-6789-{number:04d}",
        received_at=received_at,
        rules_version=1,
        note_to_judges=note,
    )


def sealed(blob: bytes, *, name: str, owner: Member) -> Recording:
    """A file taken in by the site's own door."""
    return sealing.seal(sealing.receive([blob], name=name), owner=owner, now=cast.NOW)


def prepare(contest: Contest, *, hearings: int = 2, seed: int = 7, number: int = 1) -> Round:
    """A round with a match plan and its copies, assigned and open to the judges."""
    round_ = Round.objects.create(contest=contest, number=number, hearings_per_entry=hearings, seed=seed)
    recordings = [one.recording for one in entries_of_round(round_).select_related("recording")]
    for recording in recordings:
        measurement_of(recording)
    round_.plan = planning.plan_set(recordings, wished_lufs=-18.0, ceiling_dbtp=-1.0, now=cast.NOW)
    round_.save()
    work_off()
    assign_round(round_, cast.NOW)
    round_.move_to(RoundState.JUDGING)
    return round_


MakeStage = Callable[..., Stage]


@pytest.fixture
def make_stage(db: None) -> MakeStage:
    """Make a contest in judging; `copies=False` leaves out what is to be heard."""

    def make(
        *,
        judges: Sequence[str] = JUDGES,
        entrants: Sequence[str] = ENTRANTS,
        hearings: int = 2,
        copies: bool = False,
        seed: int = 7,
    ) -> Stage:
        contest = cast.contest(state=ContestState.JUDGING)
        seats = [cast.judge(contest, name) for name in judges]
        entries = []
        for number, name in enumerate(entrants):
            member = cast.member(name)
            # Padding of less than a block: copies of one length from files of three.
            audio = music(number, seconds=1.2 + 0.01 * (number % 3)) if copies else None
            entries.append(entry(contest, member, recording=cast.recording(owner=member, audio=audio)))
        if copies:
            round_ = prepare(contest, hearings=hearings, seed=seed)
        else:
            round_ = Round.objects.create(contest=contest, hearings_per_entry=hearings, seed=seed)
            assign_round(round_, cast.NOW)
            round_.move_to(RoundState.JUDGING)
        return Stage(contest, round_, seats, entries)

    return make


@pytest.fixture
def stage(make_stage: MakeStage) -> Stage:
    """Three judges, four entries, two hearings each; nothing to be heard."""
    return make_stage()


@pytest.fixture
def playing(make_stage: MakeStage) -> Stage:
    """The same with copies."""
    return make_stage(copies=True)


@pytest.fixture
def sign_in(clock: Clock) -> Callable[[Member], Client]:
    """A browser in which somebody is signed in."""

    def sign_in(member: Member) -> Client:
        client = Client()
        client.force_login(member)
        return client

    return sign_in


def scores(hearing: Assignment, value: str = "7.5") -> dict[str, str]:
    """The fields of every criterion with one value."""
    return {f"score-{one.pk}": value for one in hearing.round.contest.criteria.all()}


def kept_scores(hearing: Assignment) -> dict[str, Decimal]:
    """What the database holds, by the criterion's name."""
    return {score.criterion.name: score.value for score in hearing.sheet.scores.all()}


def wav_bytes(audio: NDArray[np.float64], *, rate_hz: int = 48_000) -> bytes:
    """A 24-bit WAV file."""
    import soundfile

    file = io.BytesIO()
    soundfile.write(file, audio, rate_hz, format="WAV", subtype="PCM_24")
    return file.getvalue()
