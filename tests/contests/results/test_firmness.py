"""The page on how firm a standing is: for hosts, in words, and right."""

from __future__ import annotations

import pytest

from contests.models import Assignment, Round
from contests.results import doubts, words
from contests.results.doubts import doubts_of
from contests.scoring.diagnostics import JudgeWork
from tests import cast
from tests.contests import stages
from tests.contests.results.test_standings import BY_HAND, CATALYST

pytestmark = pytest.mark.django_db

QUIET = JudgeWork("1", 12, 1.0, 0.5, 0.6, 1.0, 0.4, 0.0, 0.5)


def address(stage: stages.Stage) -> str:
    return f"/contests/results/{stage.contest.slug}/firmness/"


class TestDoubts:
    def test_montgomerys_first_stays_first_without_any_judge(self):
        stage, entries = stages.judged_by_table(CATALYST)
        found = doubts_of(stage.contest, keep=1)
        assert {one.podium[0] for one in found.judges} == {entries["E4"]}
        assert sum(line.chance for line in found.cut) == pytest.approx(1.0)
        assert found.cut[0].entry == entries["E4"]
        assert found.criteria[0].best[0][1] == entries["E4"]

    def test_without_a_degree_of_freedom_no_chance_is_given(self):
        stage, _ = stages.judged_by_table(BY_HAND)
        assert doubts_of(stage.contest, keep=1).cut is None

    def test_without_a_sheet_there_is_nothing(self):
        assert doubts_of(cast.contest(), keep=1) is None


class TestPositions:
    def test_they_are_those_of_the_rounds_that_place_and_of_several_hearings_the_mean(self, monkeypatch):
        stage, entries = stages.judged_by_table(BY_HAND)
        told = []
        monkeypatch.setattr(doubts, "judges_work", lambda _table, _weights, *found: told.append(found) or ())
        judge = stage.judges[0]
        heard = {"judge": judge, "entry": entries["A"], "state": "submitted"}
        round_ = stage.round
        Assignment.objects.create(round=round_, **heard, repeat=1, position=7, label="H", code="again")
        sorted_in = Round.objects.create(
            contest=stage.contest, number=2, kind="sorting", state="closed", hearings_per_entry=1
        )
        Assignment.objects.create(round=sorted_in, **heard, position=40, label="AO", code="sorted")
        doubts_of(stage.contest, keep=1)
        ((positions, session_positions),) = told
        first = round_.assignments.get(judge=judge, entry=entries["A"], repeat=0)
        assert positions[str(judge.pk), str(entries["A"].pk)] == (first.position + 7) / 2
        assert session_positions == {}


class TestPage:
    def test_the_host_reads_it(self, client):
        stage, entries = stages.judged_by_table(CATALYST)
        client.force_login(stage.host)
        page = client.get(address(stage), {"keep": 2}).content.decode()
        assert "among the best 2" in page
        assert entries["E4"].receipt in page
        assert "3 hearings are too few" in page

    @pytest.mark.parametrize("keep", ["0", "-3", "many", ""])
    def test_a_number_that_cannot_be_is_said(self, client, keep):
        stage, _ = stages.judged_by_table(CATALYST)
        client.force_login(stage.host)
        response = client.get(address(stage), {"keep": keep})
        assert response.status_code == 200
        assert "wrong-why" in response.content.decode()

    def test_nobody_else_does(self, client):
        stage, _ = stages.judged_by_table(CATALYST)
        assert client.get(address(stage)).status_code == 302
        for member in (stage.judges[0].member, stage.entries[0].member):
            client.force_login(member)
            assert client.get(address(stage)).status_code == 404
        client.force_login(stage.host)
        assert client.post(address(stage)).status_code == 405

    def test_before_the_first_sheet(self, client):
        stage = stages.entered()
        client.force_login(stage.host)
        assert "No score sheet" in client.get(address(stage)).content.decode()


class TestJudgesWork:
    def test_nothing_stands_out_of_an_ordinary_judge(self):
        assert words.judges_work(QUIET) == []

    @pytest.mark.parametrize(
        ("change", "sentence"),
        [
            ({"hearings": 5}, "too few"),
            ({"misfit": 3.2, "misfit_p": 0.004}, "3.2 times as much"),
            ({"order": 0.1}, "unlike the rest"),
            ({"scale": 0.3}, "middle of the scale"),
            ({"scale": 2.4}, "ends of the scale"),
            ({"halo": 0.95}, "nearly the same score"),
            ({"drift": -0.2, "drift_p": 0.001}, "fall by 0.20 from one hearing"),
            ({"tiring": 0.3, "tiring_p": 0.001}, "rise by 0.30 from one mix to the next between two rests"),
        ],
    )
    def test_each_remark_has_its_number(self, change, sentence):
        found = words.judges_work(JudgeWork(**vars(QUIET) | change))
        assert len(found) == 1
        assert sentence in found[0]

    def test_a_judge_who_fits_better_than_the_rest_is_not_named(self):
        assert words.judges_work(JudgeWork(**vars(QUIET) | {"misfit": 0.1, "misfit_p": 0.999})) == []
