"""What a judge takes along of rounds with an order: by letters, never by whose mix it was."""

from __future__ import annotations

import json

import pytest

from contests.judging import heard
from contests.judging.filling_up import hear_again
from contests.models import JudgeOrder, ScoreSheet
from contests.own_data import held
from tests import cast
from tests.contests.judging import quiet_rounds
from tests.contests.judging.conftest import MakeStage, make_stage  # noqa: F401  a fixture

pytestmark = pytest.mark.django_db


class TestOrders:
    def test_they_are_told_by_the_letters_that_the_judge_knows(self, make_stage: MakeStage):  # noqa: F811
        stage = make_stage(hearings=3)
        judge = stage.judges[0]
        hearings = stage.hearings(judge)
        JudgeOrder.objects.create(
            round=stage.round, judge=judge, hearings=[one.pk for one in hearings[::-1]], submitted_at=cast.NOW
        )
        ScoreSheet.objects.create(assignment=hearings[0], saved_at=cast.NOW)
        data = held(judge.member).holds
        assert data["orders"][0]["best_first"] == ["D", "C", "B", "A"]
        text = json.dumps(data, default=str)
        assert not any(entry.receipt in text for entry in stage.entries)


class TestSheets:
    def test_they_come_as_the_desk_has_them_so_that_no_place_tells_which_was_given_later(self):
        stage = quiet_rounds.by_name()
        round_ = quiet_rounds.opened(stage, 5, repeats=0)
        later = stage.entries[7]
        hear_again(round_, [later.receipt], actor=stage.host, now=cast.NOW, reason="At the line.")
        judge = round_.assignments.filter(entry=later).latest("pk").judge
        own = list(round_.assignments.filter(judge=judge).order_by("position"))
        for hearing in own:
            ScoreSheet.objects.create(assignment=hearing, saved_at=cast.NOW)
        labels = [sheet["label"] for sheet in held(judge.member).holds["score_sheets"]]
        assert labels == [hearing.label for hearing in own]


class TestListening:
    def test_what_an_export_tells_of_a_judge_the_judge_can_have_too(self, make_stage: MakeStage):  # noqa: F811
        stage = make_stage(hearings=3)
        judge = stage.judges[0]
        first, second = stage.hearings(judge)[:2]
        for hearing in (first, second):
            ScoreSheet.objects.create(assignment=hearing, saved_at=cast.NOW)
        told = {second.code: {"seconds": 41.5, "plays": 2}}
        heard.keep_heard(judge.member, stage.round, told, now=cast.NOW)
        data = held(judge.member).holds
        assert [one["listening"] for one in data["score_sheets"]] == [
            {"heard_s": 0.0, "plays": 0, "session": None, "session_position": None},
            {"heard_s": 41.5, "plays": 2, "session": 1, "session_position": 1},
        ]
        (session,) = data["sessions_of_hearing"]
        assert (session["session"], session["begun_at"], session["heard_s"]) == (1, cast.NOW, 41.5)
        other = stage.judges[1]
        ScoreSheet.objects.create(assignment=stage.hearings(other)[0], saved_at=cast.NOW)
        assert "sessions_of_hearing" not in held(other.member).holds
