"""The podium without each judge in turn, against ranking the reduced table anew."""

import numpy as np
import pytest

from contests.scoring.leaving_out import without_each_judge
from contests.scoring.sheets import ScoreTable
from contests.scoring.standing import rank
from tests.contests.scoring.sheetmaking import CATALYSTS, table
from tests.contests.scoring.test_standing import random_table


def podium(scores: ScoreTable) -> list[str]:
    return [row.entry for row in rank(scores).entries if row.place is not None and row.place <= 3]


class TestWithoutEachJudge:
    @pytest.mark.parametrize("seed", range(5))
    def test_it_is_the_standing_of_the_rest(self, seed):
        scores = random_table(seed, n_entries=12, n_judges=6)
        for without in without_each_judge(scores):
            rest = ScoreTable(tuple(one for one in scores.scores if one.judge != without.judge))
            assert sorted(without.podium) == sorted(podium(rest))
            assert without.changed == (without.podium != tuple(sorted_podium(scores)))

    def test_a_judge_on_whom_everything_hangs_is_told(self):
        """Without J1 nothing links J2's entries with J3's, and nobody else heard A."""
        scores = table(
            {
                "J1": {"A": 8, "B": 6, "D": 7},
                "J2": {"B": 5, "C": 6},
                "J3": {"D": 8, "E": 6},
            }
        )
        first = without_each_judge(scores)[0]
        assert (first.judge, first.changed, first.podium, first.unheard) == ("J1", None, (), ("A",))

    def test_in_montgomerys_design_the_first_stays_first(self):
        assert {without.podium[0] for without in without_each_judge(CATALYSTS)} == {"E4"}

    def test_one_judge_leaves_nothing(self):
        assert without_each_judge(table({"J1": {"A": 8, "B": 6}})) == ()

    def test_a_judge_who_adds_a_constant_changes_no_podium(self):
        scores = random_table(2)
        moved = ScoreTable(
            tuple(
                one if one.judge != "J1" else type(one)(one.entry, one.judge, one.criterion, one.value + 3)
                for one in scores.scores
            )
        )
        assert [one.podium for one in without_each_judge(moved)] == [
            one.podium for one in without_each_judge(scores)
        ]


def sorted_podium(scores: ScoreTable) -> list[str]:
    """Equals by name, as the judge-less podiums are."""
    rows = [row for row in rank(scores).entries if row.place is not None and row.place <= 3]
    return [row.entry for row in sorted(rows, key=lambda row: (row.place, row.entry))]


def test_the_names_are_those_of_the_table():
    scores = random_table(4)
    assert np.array_equal([one.judge for one in without_each_judge(scores)], scores.judges)
