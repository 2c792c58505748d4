"""The page on how firm a standing is: for hosts, in words, and right."""

from __future__ import annotations

import pytest

from contests.judging import sheets
from contests.judging.drafts import Draft
from contests.models import Assignment, Judge, JudgingSession, Round
from contests.results import standings, words
from contests.results.doubts import _heard, doubts_of
from contests.scoring.diagnostics import JudgeWork
from tests import cast
from tests.contests import stages
from tests.contests.results.test_standings import BY_HAND, CATALYST
from tests.contests.rounds import staging

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


def hear(round_: Round, judge: Judge, *sessions: str, times: float = 2.0) -> None:
    """The judge hears mixes by their entrants' initials, first heard in sessions as given: "BA", "C"."""
    plan = round_.plan
    for number, initials in enumerate(sessions, start=1):
        session = JudgingSession.objects.create(
            round=round_, judge=judge, number=number, begun_at=cast.NOW, heard_at=cast.NOW
        )
        for at, initial in enumerate(initials, start=1):
            Assignment.objects.filter(
                round=round_, judge=judge, entry__member__name__startswith=initial
            ).update(session=session, session_position=at, heard_s=times * plan.frames / plan.rate_hz)


def positions_of(judge: Judge, positions: dict) -> dict[str, float]:
    """One judge's positions by the entrants' initials."""
    names = {str(one.pk): one.member.name[0] for one in judge.contest.entries.select_related("member")}
    return {names[entry]: at for (own, entry), at in positions.items() if own == str(judge.pk)}


class TestWhenTheyWereHeard:
    """Positions beside the totals that they belong to: those of the sheets that place, and of no others."""

    def heard_of(self, stage):
        stage.reread()
        table, _, _ = standings.deciding_table(stage.contest)
        return _heard(stage.contest, table)

    def all_heard(self, *rounds):
        """One round, heard by all three judges."""
        stage = staging.closed(*(rounds or ({"heard_by_all": True},)))
        stages.submit_all(staging.open_next(stage), staging.scoring(staging.FIRST_ROUND))
        return stage

    def test_the_order_of_hearing_counts_where_sessions_tell_all_of_it(self):
        stage = self.all_heard()
        judge, other = stage.judges[:2]
        hear(stage.round, judge, "DB", "AC")
        hear(stage.round, other, "DB")
        found = self.heard_of(stage)
        assert positions_of(judge, found.in_round) == {"D": 0, "B": 1, "A": 2, "C": 3}
        assert positions_of(judge, found.in_session) == {"D": 1, "B": 2, "A": 1, "C": 2}
        planned = other.assignments.order_by("position").values_list("entry__member__name", "position")
        assert positions_of(other, found.in_round) == {name[0]: at for name, at in planned}
        assert positions_of(other, found.in_session) == {"D": 1, "B": 2}

    def test_a_total_of_two_rounds_has_the_mean_of_both_positions(self):
        stage = self.all_heard({"heard_by_all": True, "goes_on": 3}, {"heard_by_all": True})
        judge = stage.judges[0]
        hear(stage.contest.rounds.get(number=1), judge, "ABCD")
        staging.close(stage)
        final = staging.open_next(stage)
        stages.submit_all(final, staging.scoring(staging.FINAL))
        assert set(final.assignments.values_list("entry__member__name", flat=True)) == {
            "Ansa Merrow",
            "Bero Lund",
            "Ceri Vanterpool",
        }
        hear(final, judge, "CA")
        found = self.heard_of(stage)
        # B was heard in no session of the final: its place in a session is known of one hearing of two, and
        # the order of hearing in the final not at all.
        assert positions_of(judge, found.in_session) == {"A": 1.5, "C": 2.0, "D": 4.0}
        at = dict(final.assignments.filter(judge=judge).values_list("entry__member__name", "position"))
        assert positions_of(judge, found.in_round) == {
            "A": (0 + at["Ansa Merrow"]) / 2,
            "B": (1 + at["Bero Lund"]) / 2,
            "C": (2 + at["Ceri Vanterpool"]) / 2,
            "D": 3,
        }

    def test_a_round_of_sorting_is_not_mixed_in(self):
        stage = staging.closed(
            {"heard_by_all": True, "kind": "sorting", "goes_on": 2, "takes_borderline": False},
            {"heard_by_all": True},
        )
        sorting = staging.open_next(stage)
        for hearing in sorting.assignments.select_related("entry__member"):
            verdict = "keep" if hearing.entry.member.name[0] in "AB" else "pass"
            sheets.submit_sheet(hearing, draft=Draft({}, verdict=verdict), now=stages.AFTER_THE_CLOSE)
        hear(sorting, stage.judges[0], "ABCD")
        assert positions_of(stage.judges[0], self.heard_of(stage).in_session) == {
            "A": 1, "B": 2, "C": 3, "D": 4,
        }  # fmt: skip
        staging.close(stage)
        final = staging.open_next(stage)
        stages.submit_all(final, staging.scoring(staging.FINAL))
        hear(final, stage.judges[0], "BA")
        found = self.heard_of(stage)
        assert positions_of(stage.judges[0], found.in_session) == {"B": 1, "A": 2}
        assert [round(times, 2) for times, _ in found.times[str(stage.judges[0].pk)]] == [2.0, 2.0]

    def test_the_page_tells_what_was_heard_shortly_and_what_the_order_did(self, client):
        stage = self.all_heard()
        for judge, sessions in zip(stage.judges, (("ABCD",), ("CA", "DB"), ("DCBA",)), strict=True):
            hear(stage.round, judge, *sessions)
        short = stage.round.assignments.filter(judge=stage.judges[0]).first()
        Assignment.objects.filter(pk=short.pk).update(heard_s=0.4)
        client.force_login(stage.host)
        text = client.get(address(stage)).content.decode()
        assert text.count("1 of 4 mixes was heard for less than its own length") == 1
        assert "From one mix to the next within a session, totals change by" in text
        JudgingSession.objects.all().delete()
        Assignment.objects.update(session_position=None)
        text = client.get(address(stage)).content.decode()
        assert "From one mix to the next in a judge’s order" in text


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
