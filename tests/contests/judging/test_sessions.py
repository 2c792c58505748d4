"""Sessions of hearing: what is heard is put into them, what is left is planned in them, nothing is forced."""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import timedelta

import numpy as np
import pytest
from django.test import Client
from django.urls import reverse

from academy.members.models import Member
from contests.judging import heard, pacing
from contests.judging.pacing import Pace
from contests.models import Assignment, JudgingSession
from contests.states import HearingState
from tests import cast
from tests.clock import Clock
from tests.contests.judging.conftest import Stage

SignIn = Callable[[Member], Client]
USUAL = Pace(1.0, is_own=False)


class TestPlannedSessions:
    @pytest.mark.parametrize(
        ("number", "length_s", "sizes"),
        [
            (0, 240, []),
            (6, 240, [6]),  # 24 minutes
            (7, 240, [3, 4]),  # 28 minutes would be too long, and 6 and 1 uneven
            (12, 60, [12]),
            (13, 60, [6, 7]),  # 13 minutes, but more mixes than 12
            (2, 1800, [1, 1]),  # one alone is longer than a session
            (5, 0, [5]),
        ],
    )
    def test_as_few_as_there_may_be_and_evenly_filled(
        self, number: int, length_s: float, sizes: list[int]
    ) -> None:
        labels = [str(one) for one in range(number)]
        planned = pacing.planned_sessions(labels, length_s=length_s, pace=USUAL)
        assert [len(one.labels) for one in planned] == sizes
        assert [one.hearing_s for one in planned] == [size * length_s for size in sizes]

    @pytest.mark.parametrize("seed", range(200))
    def test_none_is_too_long_too_full_or_empty_and_none_is_lost(self, seed: int) -> None:
        rng = np.random.default_rng(seed)
        number, length_s, hearings = int(rng.integers(90)), rng.uniform(0, 2000), rng.uniform(0.01, 5)
        labels = [str(one) for one in range(number)]
        planned = pacing.planned_sessions(labels, length_s=length_s, pace=Pace(hearings, is_own=True))
        assert [label for one in planned for label in one.labels] == labels
        for one in planned:
            assert 1 <= len(one.labels) <= pacing.MOST_IN_A_SESSION
            assert len(one.labels) == 1 or one.hearing_s <= pacing.LONGEST_SESSION_S * (1 + 1e-9)
        sizes = [len(one.labels) for one in planned]
        assert not sizes or max(sizes) - min(sizes) <= 1


class TestPace:
    def test_it_is_the_usual_one_until_three_are_submitted(self) -> None:
        assert pacing.pace_of([600, 600], length_s=200, is_sorting=False) == Pace(1.5, is_own=False)
        assert pacing.pace_of([600, 600], length_s=200, is_sorting=True) == Pace(1.0, is_own=False)
        assert pacing.pace_of([300, 600, 900], length_s=200, is_sorting=False) == Pace(3.0, is_own=True)

    def test_what_nobody_told_of_does_not_count(self) -> None:
        assert not pacing.pace_of([600, 600, 0], length_s=200, is_sorting=False).is_own
        assert not pacing.pace_of([600] * 3, length_s=0, is_sorting=False).is_own

    def test_minutes_are_said_in_fives_and_never_too_few(self) -> None:
        # Four mixes of 200 s, heard twice, three minutes of writing each: 38 min 40 s.
        assert pacing.minutes_for(4, length_s=200, pace=Pace(2.0, is_own=True), is_sorting=False) == 40
        assert pacing.minutes_for(0, length_s=200, pace=USUAL, is_sorting=False) is None


@pytest.mark.django_db
class TestSessions:
    def tell(self, stage: Stage, at_min: float, **seconds: tuple[float, int]) -> None:
        """Tell of the first judge's hearings A, B, C: seconds and plays, so many minutes after the start."""
        codes = {one.label: one.code for one in stage.hearings(stage.judges[0])}
        told = {codes[label]: {"seconds": s, "plays": plays} for label, (s, plays) in seconds.items()}
        now = cast.NOW + timedelta(minutes=at_min)
        heard.keep_heard(stage.judges[0].member, stage.round, told, now=now)

    def places(self, stage: Stage) -> list[tuple[str, int | None, int | None]]:
        """Label, number of the session and place in it."""
        hearings = stage.round.assignments.filter(judge=stage.judges[0]).order_by("position")
        return list(hearings.values_list("label", "session__number", "session_position"))

    def test_what_is_first_heard_has_its_place_in_the_order_of_hearing(self, stage: Stage) -> None:
        self.tell(stage, 0, C=(30, 1))
        self.tell(stage, 1, C=(40, 1), B=(12, 1), A=(5, 1))
        assert self.places(stage) == [("A", 1, 3), ("B", 1, 2), ("C", 1, 1)]
        session = JudgingSession.objects.get()
        assert (session.heard_s, session.last.label) == (57.0, "A")
        assert session.heard_at - session.begun_at == timedelta(minutes=1)

    @pytest.mark.parametrize(("pause_min", "sessions"), [(9.9, 1), (10.0, 2)])
    def test_a_rest_begins_a_new_one(self, stage: Stage, pause_min: float, sessions: int) -> None:
        self.tell(stage, 0, A=(30, 1))
        self.tell(stage, 5, A=(60, 1))
        self.tell(stage, 5 + pause_min, A=(70, 2), B=(20, 1))
        assert JudgingSession.objects.count() == sessions
        assert self.places(stage)[:2] == [("A", 1, 1), ("B", sessions, 2 if sessions == 1 else 1)]
        assert sum(one.heard_s for one in JudgingSession.objects.all()) == 90.0

    def test_told_again_it_changes_nothing_and_begins_nothing(self, stage: Stage) -> None:
        self.tell(stage, 0, A=(30, 2))
        self.tell(stage, 60, A=(30, 2))
        self.tell(stage, 61, A=(20, 1))
        session = JudgingSession.objects.get()
        assert (session.heard_s, session.heard_at) == (30.0, cast.NOW)
        assert Assignment.objects.filter(plays=2, heard_s=30.0).count() == 1

    def test_each_judge_and_round_has_sessions_of_its_own(self, stage: Stage) -> None:
        self.tell(stage, 0, A=(30, 1))
        other = stage.hearings(stage.judges[1])[0]
        told = {other.code: {"seconds": 5.0, "plays": 1}}
        heard.keep_heard(stage.judges[1].member, stage.round, told, now=cast.NOW)
        assert {(one.judge_id, one.number, one.heard_s) for one in JudgingSession.objects.all()} == {
            (stage.judges[0].pk, 1, 30.0),
            (stage.judges[1].pk, 1, 5.0),
        }


@pytest.mark.django_db
class TestDesk:
    def desk(self, stage: Stage, sign_in: SignIn) -> tuple[str, object]:
        answer = sign_in(stage.judges[0].member).get(reverse("contests:desk", args=[stage.contest.slug, 1]))
        return answer.content.decode(), answer.context["desk"]

    def hear(self, stage: Stage, label: str, seconds: float, clock: Clock) -> Assignment:
        hearing = next(one for one in stage.hearings(stage.judges[0]) if one.label == label)
        told = {hearing.code: {"seconds": seconds, "plays": 1}}
        heard.keep_heard(stage.judges[0].member, stage.round, told, now=clock.now)
        return hearing

    def test_before_the_first_sound_there_is_a_plan_and_nothing_to_resume(
        self, playing: Stage, sign_in: SignIn
    ) -> None:
        page, desk = self.desk(playing, sign_in)
        assert [one.labels for one in desk.session.planned] == [("A", "B", "C")]  # type: ignore[attr-defined]
        assert math.isclose(desk.session.planned[0].hearing_s, 3 * 1.5 * 1.22, rel_tol=0.02)  # type: ignore[attr-defined]
        assert "Session 1:" in page
        assert "What is left fits into one session" in page
        assert "You were at mix" not in page

    def test_it_opens_where_the_judge_was(self, playing: Stage, sign_in: SignIn, clock: Clock) -> None:
        hearing = self.hear(playing, "B", 75.0, clock)
        page, desk = self.desk(playing, sign_in)
        assert desk.first.code == hearing.code  # type: ignore[attr-defined]
        assert "You were at mix B, and heard 1:15 of it in all." in page
        assert 'data-session-heard-s="75.0" data-session-mixes="1"' in page
        clock.now += timedelta(minutes=30)
        page, desk = self.desk(playing, sign_in)
        assert desk.first.code == hearing.code  # type: ignore[attr-defined]
        assert "Session 2:" in page
        assert 'data-session-heard-s="0.0" data-session-mixes="0"' in page

    def test_a_sheet_that_is_done_is_not_where_to_go_on(
        self, playing: Stage, sign_in: SignIn, clock: Clock
    ) -> None:
        hearing = self.hear(playing, "B", 75.0, clock)
        Assignment.objects.filter(pk=hearing.pk).update(state=HearingState.SUBMITTED)
        page, desk = self.desk(playing, sign_in)
        assert desk.first.label == "A"  # type: ignore[attr-defined]
        assert "You were at mix" not in page

    def test_an_over_long_session_keeps_nothing_from_being_done(
        self, playing: Stage, sign_in: SignIn, clock: Clock
    ) -> None:
        self.hear(playing, "A", 3 * pacing.LONGEST_SESSION_S, clock)
        hearing = self.hear(playing, "B", 10.0, clock)
        client = sign_in(playing.judges[0].member)
        assert client.get(reverse("contests:hear", args=[hearing.code, 0])).status_code == 200
        assert (
            client.post(reverse("contests:sheet", args=[hearing.code]), {"comment": "x"}).status_code == 302
        )

    def test_the_own_pace_is_said_once_there_is_one(self, playing: Stage, sign_in: SignIn) -> None:
        page, _ = self.desk(playing, sign_in)
        assert "heard 1.5 times until you have a pace of your own" in page
        mine = playing.round.assignments.filter(judge=playing.judges[0])
        extra = mine.first()
        assert extra is not None
        for number in range(3):
            Assignment.objects.create(
                round=playing.round,
                judge=playing.judges[0],
                entry=extra.entry,
                repeat=number + 1,
                position=90 + number,
                label=f"Z{number}",
                code=f"{number}" * 24,
                state=HearingState.SUBMITTED,
                heard_s=4 * playing.round.plan.frames / playing.round.plan.rate_hz,
            )
        page, _ = self.desk(playing, sign_in)
        assert "heard 4.0 times, your own pace so far" in page


@pytest.mark.django_db
def test_the_host_finds_the_sessions_on_the_judges_page(stage: Stage, sign_in: SignIn, clock: Clock) -> None:
    judge = stage.judges[0]
    first, second = stage.hearings(judge)[:2]
    for hearing, seconds in ((first, 300.0), (second, 61.0)):
        told = {hearing.code: {"seconds": seconds, "plays": 1}}
        heard.keep_heard(judge.member, stage.round, told, now=clock.now)
    address = reverse("contests:host_judge", args=[stage.contest.slug, judge.pk])
    page = sign_in(cast.host()).get(address).content.decode()
    cells = (
        'data-label="Heard" class="number">6:01</td>',
        '<td data-label="New mixes" class="number">2</td>',
    )
    assert "".join(cells) in page
    other = reverse("contests:host_judge", args=[stage.contest.slug, stage.judges[1].pk])
    assert "Sessions of hearing" not in sign_in(cast.host()).get(other).content.decode()
