"""From real score sheets to the standing: published examples entered as judges would enter them."""

from __future__ import annotations

import math

import pytest

from contests.models import Assignment, Criterion, ScoreSheet
from contests.results import standings
from contests.scoring.errors import SheetsRefused
from contests.screening import deciding
from contests.states import HearingState
from tests.contests import stages
from tests.contests.stages import AFTER_THE_CLOSE

pytestmark = pytest.mark.django_db

# Montgomery, Design and Analysis of Experiments, the catalyst example of balanced incomplete blocks (tables
# 4.21 and 4.22 in the 5th and 6th edition, numbering from memory): treatments are entries, blocks are judges.
CATALYST = {
    "J1": {"E1": 73, "E3": 73, "E4": 75},
    "J2": {"E1": 74, "E2": 75, "E3": 75},
    "J3": {"E2": 67, "E3": 68, "E4": 72},
    "J4": {"E1": 71, "E2": 72, "E4": 75},
}
# By hand: over the common entry B the first judge gives 2 more than the second, so with effects that sum to 0
# they are +1 and -1, and the entries 7, 5 and 6. Raw means are 8, 5 and 5.
BY_HAND = {"J1": {"A": 8, "B": 6}, "J2": {"B": 4, "C": 5}}


def rows_by_name(standing, entries):
    names = {str(entry.pk): name for name, entry in entries.items()}
    return {names[row.entry]: row for row in standing.entries}


class TestStandingOf:
    def test_the_catalyst_example_comes_out_as_published(self):
        stage, entries = stages.judged_by_table(CATALYST)
        standing = standings.standing_of(stage.contest)
        rows = rows_by_name(standing, entries)
        adjusted = {name: rows[name].adjusted for name in rows}
        assert adjusted == pytest.approx({"E1": 71.375, "E2": 71.625, "E3": 72.0, "E4": 75.0})
        assert list(rows) == ["E4", "E3", "E2", "E1"]
        # The means as given would make the last one second: 72.667, 71.333, 72.000, 74.000.
        assert rows["E1"].raw_mean == pytest.approx(218 / 3)
        # Error mean square 0.65 with 5 degrees of freedom.
        assert standing.summary.degrees_of_freedom == 5
        assert standing.summary.residual_sd == pytest.approx(math.sqrt(0.65))
        effects = {row.judge: row.effect for row in standing.judges}
        expected = [0.875, 3.0, -3.875, 0.0]
        assert [effects[str(judge.pk)] for judge in stage.judges] == pytest.approx(expected, abs=1e-9)

    def test_the_example_by_hand(self):
        stage, entries = stages.judged_by_table(BY_HAND)
        rows = rows_by_name(standings.standing_of(stage.contest), entries)
        assert {name: (row.place, row.adjusted) for name, row in rows.items()} == {
            "A": (1, pytest.approx(7.0)),
            "C": (2, pytest.approx(6.0)),
            "B": (3, pytest.approx(5.0)),
        }
        assert all(row.standard_error is None for row in rows.values())

    def test_panels_without_a_common_entry_get_no_joint_ranking(self):
        stage, _ = stages.judged_by_table({"J1": {"A": 8, "B": 6}, "J2": {"C": 5, "D": 4}})
        standing = standings.standing_of(stage.contest)
        assert not standing.summary.connected
        assert len(standing.separate) == 2
        assert standings.computed_places(standing) is None

    def test_equals_share_a_place(self):
        stage, entries = stages.judged_by_table(
            {"J1": {"A": 8, "B": 8, "C": 5}, "J2": {"A": 6, "B": 6, "C": 3}}
        )
        places = standings.computed_places(standings.standing_of(stage.contest))
        assert places == {entries["A"].pk: 1, entries["B"].pk: 1, entries["C"].pk: 3}

    def test_the_rubrics_weights_count(self):
        """60 : 40. A has 9 and 4 (7.0), B 6 and 9 (7.2): by the heavier criterion alone A would win."""
        stage = stages.judging(entrants=["Ansa Merrow", "Bero Lund"], judges=["Ruy Halden", "Signe Okafor"])
        score = {
            (stage.entries[0].pk, "Balance"): 9,
            (stage.entries[0].pk, "Depth"): 4,
            (stage.entries[1].pk, "Balance"): 6,
            (stage.entries[1].pk, "Depth"): 9,
        }
        stages.submit_all(stage.round, lambda hearing, line: score[hearing.entry_id, line.name])
        standing = standings.standing_of(stage.contest)
        found = {int(row.entry): row.raw_mean for row in standing.entries}
        assert found == pytest.approx({stage.entries[0].pk: 7.0, stage.entries[1].pk: 7.2})

    def test_without_a_submitted_sheet_there_is_none(self):
        assert standings.standing_of(stages.judging().contest) is None

    def test_only_submitted_sheets_about_standing_entries_count(self):
        stage, entries = stages.judged_by_table(CATALYST)
        drafted = Assignment.objects.get(entry=entries["E1"], judge=stage.judges[0])
        Assignment.objects.filter(pk=drafted.pk).update(state=HearingState.WAITING)
        ScoreSheet.objects.filter(assignment=drafted).update(submitted_at=None)
        aside = Assignment.objects.get(entry=entries["E2"], judge=stage.judges[1])
        Assignment.objects.filter(pk=aside.pk).update(state=HearingState.STOOD_ASIDE)
        deciding.disqualify_entry(
            entries["E4"].pk, actor=stage.host, now=AFTER_THE_CLOSE, reason="Other stems."
        )
        rows = rows_by_name(standings.standing_of(stage.contest), entries)
        assert {name: row.hearings for name, row in rows.items()} == {"E1": 2, "E2": 2, "E3": 3}

    def test_entries_that_nobody_scored_are_told(self):
        stage = stages.judging(entrants=["Ansa Merrow", "Bero Lund"])
        stages.submit_all(stage.round, lambda hearing, line: 5)
        ScoreSheet.objects.filter(assignment__entry=stage.entries[1]).update(submitted_at=None)
        working = standings.standing_of(stage.contest).as_json_dict()
        assert standings.unheard_entries(stage.contest, working) == [stage.entries[1]]

    def test_a_criterion_that_came_too_late_is_refused_in_words(self):
        stage, _ = stages.judged_by_table(BY_HAND)
        Criterion.objects.create(contest=stage.contest, position=1, name="Air", meaning="Air.", weight=1)
        with pytest.raises(SheetsRefused, match="Criterion Air has a weight and no scores"):
            standings.standing_of(stage.contest)
