"""What a judge takes along of rounds with an order: by letters, never by whose mix it was."""

from __future__ import annotations

import json

import pytest

from contests.models import JudgeOrder, ScoreSheet
from contests.own_data import held
from tests import cast
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
