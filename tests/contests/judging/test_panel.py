"""Seats on a panel."""

from __future__ import annotations

import pytest

from contests.judging import panel
from contests.judging.assigning import assign_round
from contests.judging.panel import PanelRefused
from contests.models import Assignment, Contest, Decision, Judge, Round
from contests.states import ContestState, EntryState
from tests import cast
from tests.contests.judging.conftest import Stage, entry

pytestmark = pytest.mark.django_db


class TestSeatJudge:
    def test_a_seat_is_given_and_recorded(self) -> None:
        contest, member, host = cast.contest(), cast.member("Ruy Halden"), cast.host()
        judge = panel.seat_judge(contest, member, actor=host, now=cast.NOW)
        assert list(contest.judges.all()) == [judge]
        line = Decision.objects.get()
        assert (line.action, line.actor, line.decided_at) == ("judge seated", host, cast.NOW)
        assert line.details == {"judge": judge.pk, "member": member.pk}

    def test_there_is_one_seat_a_judge(self) -> None:
        contest, host = cast.contest(), cast.host()
        judge = cast.judge(contest)
        with pytest.raises(PanelRefused, match="sits on this panel already"):
            panel.seat_judge(contest, judge.member, actor=host, now=cast.NOW)
        assert Judge.objects.count() == 1
        assert not Decision.objects.exists()

    @pytest.mark.parametrize("state", [EntryState.CHECKING, EntryState.READY, EntryState.ATTENTION])
    def test_an_own_entry_refuses_the_seat(self, state: EntryState) -> None:
        contest, member = cast.contest(), cast.member()
        entry(contest, member, state=state)
        with pytest.raises(PanelRefused, match="Ansa Merrow has an entry in this contest"):
            panel.seat_judge(contest, member, actor=cast.host(), now=cast.NOW)
        assert not Judge.objects.exists()

    @pytest.mark.parametrize("state", [EntryState.WITHDRAWN, EntryState.REPLACED, EntryState.SET_ASIDE])
    def test_an_entry_that_does_not_stand_is_no_obstacle(self, state: EntryState) -> None:
        contest, member = cast.contest(), cast.member()
        entry(contest, member, state=state)
        assert panel.seat_judge(contest, member, actor=cast.host(), now=cast.NOW).member == member

    def test_an_entry_in_another_contest_is_no_obstacle(self) -> None:
        member = cast.member()
        entry(cast.contest(), member)
        contest = cast.contest()
        panel.seat_judge(contest, member, actor=cast.host(), now=cast.NOW)
        assert contest.judges.get().member == member

    @pytest.mark.parametrize("state", [ContestState.DECIDED, ContestState.PUBLISHED])
    def test_nobody_is_seated_once_the_judging_is_over(self, state: ContestState) -> None:
        contest = cast.contest(state=state)
        with pytest.raises(PanelRefused, match="is over"):
            panel.seat_judge(contest, cast.member(), actor=cast.host(), now=cast.NOW)


class TestRemoveJudge:
    def test_a_seat_is_taken_away_and_recorded(self) -> None:
        contest = cast.contest()
        judge = cast.judge(contest)
        panel.remove_judge(judge, actor=cast.host(), now=cast.NOW, reason="Away in May.")
        assert not Judge.objects.exists()
        line = Decision.objects.get()
        assert (line.action, line.reason) == ("judge removed", "Away in May.")

    def test_assignments_in_preparation_go_wholly(self) -> None:
        contest = cast.contest(state=ContestState.CLOSED)
        judges = [cast.judge(contest, name) for name in ("Ruy Halden", "Ilse Vanner", "Tomas Brek")]
        for name in ("Ansa Merrow", "Bero Lund"):
            entry(contest, cast.member(name))
        round_ = Round.objects.create(contest=contest, hearings_per_entry=2, seed=3)
        assign_round(round_, cast.NOW)
        panel.remove_judge(judges[0], actor=cast.host(), now=cast.NOW, reason="Away.")
        assert not Assignment.objects.exists()
        assign_round(round_, cast.NOW)
        assert Assignment.objects.count() == 4

    def test_a_judge_of_an_open_round_keeps_the_seat_and_the_sheets(self, stage: Stage) -> None:
        with pytest.raises(PanelRefused, match="round 1, which has opened"):
            panel.remove_judge(stage.judges[0], actor=cast.host(), now=cast.NOW, reason="Away.")
        assert Contest.objects.get().judges.count() == 3
        assert Assignment.objects.count() == 8
