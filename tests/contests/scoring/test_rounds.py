"""Standings over several rounds: who is placed by what, checked by algebra on small tables."""

import json

import numpy as np
import pytest

from contests.scoring.cutline import chances_above
from contests.scoring.rounds import RoundSheets, StandingOverRounds, rank_rounds, repeat_of, round_of
from contests.scoring.severity import fit_severity
from contests.scoring.sheets import Score, ScoreTable, shares, weighted_hearings
from contests.scoring.sorting import sorting_scores
from contests.scoring.standing import rank
from tests.contests.scoring.test_severity import unit_covariance


def sheets(given, *, round_number=1):
    """Scores on one criterion of one round: `given[judge][entry]`."""
    return tuple(
        Score(entry, judge, "overall", value, repeat_of(round_number))
        for judge, sheet in given.items()
        for entry, value in sheet.items()
    )


FIRST = {
    "Ilse": {"A": 9, "B": 8, "C": 5, "D": 3},
    "Ruy": {"A": 7, "B": 7, "C": 4, "D": 1},
    "Signe": {"A": 8, "B": 7, "C": 3, "D": 3},
}
SECOND = {"Ilse": {"A": 6, "B": 9}, "Ruy": {"A": 5, "B": 8}, "Signe": {"A": 5, "B": 8}}


def two_rounds(first=FIRST, second=SECOND):
    return [
        RoundSheets(1, False, sheets(first), frozenset("ABCD")),
        RoundSheets(2, False, sheets(second, round_number=2), frozenset("AB")),
    ]


def placed(standing):
    return {row.entry: row.place for row in standing.entries}


class TestRankRounds:
    def test_one_round_is_a_plain_standing(self):
        only = RoundSheets(1, False, sheets(FIRST), frozenset("ABCD"))
        assert rank_rounds([only]) == rank(ScoreTable(only.scores))

    def test_nothing_yet_is_no_standing(self):
        assert rank_rounds([RoundSheets(1, False, (), frozenset("ABCD"))]) is None
        assert rank_rounds([]) is None

    def test_whoever_went_on_stands_before_whoever_did_not(self):
        """B falls behind C on the mean of both rounds, and stays before it: C was cut."""
        low = {judge: {"A": 6, "B": 0} for judge in FIRST}
        assert placed(rank_rounds(two_rounds(second=low))) == {"A": 1, "B": 2, "C": 3, "D": 4}

    def test_the_last_round_is_placed_by_all_sheets_together(self):
        """Complete rounds: a judge's two totals for one entry are averaged, and severity does not matter."""
        standing = rank_rounds(two_rounds())
        assert placed(standing) == {"B": 1, "A": 2, "C": 3, "D": 4}
        by_entry = {row.entry: row for row in standing.entries}
        both = {"A": np.mean([8, 16 / 3]), "B": np.mean([22 / 3, 25 / 3])}
        for name, mean in both.items():
            assert by_entry[name].raw_mean == pytest.approx(mean)
            assert by_entry[name].adjusted == pytest.approx(mean)

    def test_no_round_is_centred_by_itself(self):
        """Another level of the final moves finalists alone against the cut ones, never among themselves."""
        higher = {judge: {name: value + 1 for name, value in row.items()} for judge, row in SECOND.items()}
        standing, lifted = rank_rounds(two_rounds()), rank_rounds(two_rounds(second=higher))
        gap = {row.entry: row.adjusted for row in standing.entries}
        new = {row.entry: row.adjusted for row in lifted.entries}
        assert new["B"] - new["A"] == pytest.approx(gap["B"] - gap["A"])
        assert new["B"] - gap["B"] == pytest.approx(0.5)

    def test_a_cut_entry_keeps_the_standing_in_which_it_was_cut(self):
        before = {row.entry: row.adjusted for row in rank(ScoreTable(sheets(FIRST))).entries}
        cut = [row for row in rank_rounds(two_rounds()).entries if row.entry in "CD"]
        assert {row.entry: row.adjusted for row in cut} == {name: before[name] for name in "CD"}
        assert not any(row.tied_with_first or row.could_be_first for row in cut)

    def test_equals_among_the_cut_share_a_place_behind_all_that_went_on(self):
        same = {judge: row | {"C": row["D"]} for judge, row in FIRST.items()}
        standing = rank_rounds(two_rounds(first=same))
        assert placed(standing) == {"B": 1, "A": 2, "C": 3, "D": 3}
        assert [tie.place for tie in standing.ties] == [3]

    def test_who_went_on_and_has_no_new_sheet_is_placed_by_the_old_ones(self):
        half = {judge: {"B": row["B"]} for judge, row in SECOND.items()}
        assert placed(rank_rounds(two_rounds(second=half))) == {"A": 1, "B": 2, "C": 3, "D": 4}

    def test_a_fit_of_sorting_never_mixes_with_one_of_scores(self):
        verdicts = [
            (entry, judge, verdict, "1")
            for judge in ("Ilse", "Ruy")
            for entry, verdict in {"A": "keep", "B": "keep", "C": "unsure", "D": "pass"}.items()
        ]
        rounds = [
            RoundSheets(1, True, sorting_scores(verdicts), frozenset("ABCD")),
            RoundSheets(2, False, sheets(SECOND, round_number=2), frozenset("AB")),
        ]
        standing = rank_rounds(rounds, {"overall": 3})
        assert placed(standing) == {"B": 1, "A": 2, "C": 3, "D": 4}
        totals = {row.entry: row.adjusted for row in standing.entries}
        assert totals == pytest.approx({"A": 16 / 3, "B": 25 / 3, "C": 1.0, "D": 0.0})

    def test_an_anchor_from_outside_takes_no_place_and_counts_for_severity(self):
        """Ruy and Ilse share only the anchor X; without it nothing would link them."""
        given = {"Ilse": {"A": 8, "X": 6}, "Ruy": {"B": 7, "X": 4}}
        only = RoundSheets(1, False, sheets(given), frozenset("AB"))
        standing = rank_rounds([only])
        assert placed(standing) == {"B": 1, "A": 2}  # Ruy is 2 stricter: A 7, B 8 before the average judge
        assert {row.entry: row.adjusted for row in standing.entries} == pytest.approx({"A": 7, "B": 8})
        assert standing.summary.connected

    def test_it_is_plain_json_and_says_who_came_how_far(self):
        standing = rank_rounds(two_rounds())
        assert isinstance(standing, StandingOverRounds)
        kept = json.loads(json.dumps(standing.as_json_dict(), allow_nan=False))
        assert {row["entry"]: row["round"] for row in kept["entries"]} == {"A": 2, "B": 2, "C": 1, "D": 1}
        assert [tier["round"] for tier in kept["tiers"]] == [2, 1]

    def test_rounds_may_come_in_any_order(self):
        assert rank_rounds(two_rounds()[::-1]) == rank_rounds(two_rounds())

    def test_a_repeat_names_its_round(self):
        assert [round_of(repeat_of(number, again)) for number, again in ((1, 0), (12, 1))] == ["1", "12"]


class TestOfEntries:
    def test_a_part_of_a_fit_keeps_its_numbers(self):
        table = ScoreTable(sheets(FIRST))
        fit = fit_severity(weighted_hearings(table, shares(table)))
        part = fit.of_entries(np.array([2, 0]))
        assert part.adjusted.tolist() == fit.adjusted[[2, 0]].tolist()
        assert part.standard_error().tolist() == fit.standard_error()[[2, 0]].tolist()
        assert unit_covariance(part) == pytest.approx(unit_covariance(fit)[np.ix_([2, 0], [2, 0])])

    def test_chances_among_a_part_sum_to_the_places_given(self):
        table = ScoreTable(sheets(FIRST))
        fit = fit_severity(weighted_hearings(table, shares(table)))
        assert chances_above(fit.of_entries(np.array([1, 2, 3])), 2).sum() == pytest.approx(2)
