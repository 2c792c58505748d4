"""Scores in columns: the same scores as one by one, and the same totals as the definition gives."""

import dataclasses
import math

import numpy as np
import pytest

from contests.scoring.columns import NameColumn, values_or_none
from contests.scoring.sheets import Score, ScoreColumns, ScoreTable, shares, weighted_hearings
from contests.scoring.standing import rank


def in_names(column: NameColumn) -> list[str]:
    return [column.names[number] for number in column.number]


class TestNameColumn:
    def test_names_are_sorted_as_text_and_rows_keep_their_order(self):
        column = NameColumn.of(["b", "10", "9", "b"])
        assert column.names == ("10", "9", "b")
        assert in_names(column) == ["b", "10", "9", "b"]

    def test_whole_numbers_go_by_their_digits(self):
        assert NameColumn.of_keys(np.array([9, 10, 9])).names == ("10", "9")
        assert in_names(NameColumn.of_keys(np.array([9, 10, 9]))) == ["9", "10", "9"]
        assert in_names(NameColumn.of_keys(np.array([1, 2]), lambda key: "ab"[key - 1])) == ["a", "b"]

    def test_rows_that_are_left_take_their_names_along_and_no_other(self):
        left = NameColumn.of(["b", "a", "c"]).rows(np.array([True, False, True]))
        assert (left.names, in_names(left)) == (("b", "c"), ["b", "c"])

    def test_joined_columns_share_the_names_they_have_in_common(self):
        joined = NameColumn.joined([NameColumn.of(["b", "c"]), NameColumn.of([]), NameColumn.of(["c", "a"])])
        assert (joined.names, in_names(joined)) == (("a", "b", "c"), ["b", "c", "c", "a"])

    def test_rows_are_repeated_each_or_all(self):
        column = NameColumn.of(["b", "a"])
        assert in_names(column.each(2)) == ["b", "b", "a", "a"]
        assert in_names(column.all(2)) == ["b", "a", "b", "a"]

    def test_nothing_is_nothing(self):
        assert NameColumn.of([]).names == ()
        assert NameColumn.of_keys(np.array([], dtype=np.intp)).number.size == 0


def many_scores(seed: int) -> list[Score]:
    """Random sheets in random order: some pairs heard twice, three or four times; scores to two decimals."""
    rng = np.random.default_rng(seed)
    scores = [
        Score(f"E{entry}", f"J{judge}", criterion, round(float(rng.uniform(1, 10)), 2), str(again))
        for entry in range(12)
        for judge in rng.permutation(5)[:3]
        for again in range(int(rng.integers(1, 5)))
        for criterion in ("balance", "depth", "tone")
    ]
    return [scores[at] for at in rng.permutation(len(scores))]


class TestScoreColumns:
    def test_what_comes_out_is_what_went_in(self):
        scores = many_scores(0)
        assert list(ScoreColumns.of(scores)) == scores
        assert ScoreTable(scores).scores == tuple(scores)
        assert len(ScoreColumns.of(scores)) == len(scores)

    def test_parts_and_their_sum(self):
        scores = many_scores(1)
        columns = ScoreColumns.of(scores)
        assert (
            list(ScoreColumns.joined([ScoreColumns.of(scores[:20]), ScoreColumns.of(scores[20:])])) == scores
        )
        severe = columns.rows(columns.value < 4)
        assert list(severe) == [score for score in scores if score.value < 4]

    def test_a_table_of_columns_is_the_table_of_scores(self):
        scores = many_scores(2)
        assert rank(ScoreTable(ScoreColumns.of(scores))) == rank(ScoreTable(tuple(scores)))

    @pytest.mark.parametrize("seed", range(5))
    def test_totals_are_those_of_the_definition_to_the_last_digit(self, seed):
        """By hand: weighted sums in the order of the rows, then the exactly rounded mean of repeats."""
        table = ScoreTable(many_scores(seed))
        share = shares(table, {"balance": 0.5, "depth": 0.2, "tone": 0.3})
        sheets: dict[tuple[str, str, str], float] = {}
        for score in table.scores:
            key = (score.entry, score.judge, score.repeat)
            sheets[key] = sheets.get(key, 0.0) + share[score.criterion] * score.value
        pairs: dict[tuple[str, str], list[float]] = {}
        for (entry, judge, _), total in sheets.items():
            pairs.setdefault((entry, judge), []).append(total)
        expected = {pair: math.fsum(totals) / len(totals) for pair, totals in pairs.items()}
        found = weighted_hearings(table, share)
        names = [
            (table.entries[entry], table.judges[judge])
            for entry, judge in zip(found.entry_index, found.judge_index, strict=True)
        ]
        assert names == sorted(expected)
        assert found.total.tolist() == [expected[pair] for pair in names]


class TestValuesOrNone:
    def test_what_does_not_exist_is_none_for_everybody(self):
        assert values_or_none(None, 2) == [None, None]
        assert values_or_none(np.array([1.5, 2.0]), 2) == [1.5, 2.0]


class TestPlainValues:
    def test_a_standing_as_plain_values_is_what_the_library_makes_of_it(self):
        """`dataclasses.asdict` is slow and right."""
        tied = [Score(entry, judge, "tone", 5.0) for entry in "ABC" for judge in "XY"]
        apart = [*tied, Score("D", "Z", "tone", 4.0)]
        for scores in (many_scores(3), tied, apart):
            standing = rank(ScoreTable(scores))
            assert standing.as_json_dict() == dataclasses.asdict(standing)
            assert str(standing.as_json_dict()) == str(dataclasses.asdict(standing))
