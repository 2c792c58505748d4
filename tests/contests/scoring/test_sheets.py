"""Score sheets: what is read, what is refused and in which words, and the weighted totals."""

from decimal import Decimal
from pathlib import Path

import numpy as np
import pytest

from contests.scoring.errors import SheetsRefused
from contests.scoring.severity import fit_severity
from contests.scoring.sheets import (
    Score,
    ScoreTable,
    read_scores,
    read_weights,
    shares,
    weighted_hearings,
)
from tests.contests.scoring.sheetmaking import sheets, table

GOOD = "entry,judge,criterion,score\nE1,J1,balance,7.5\nE2,J1,balance,-3\n"


@pytest.fixture
def write(tmp_path):
    def _write(content: str | bytes) -> Path:
        path = tmp_path / "scores.csv"
        path.write_bytes(content.encode() if isinstance(content, str) else content)
        return path

    return _write


class TestReadScores:
    @pytest.mark.parametrize(
        "content",
        [
            GOOD,
            "\ufeff" + GOOD,
            GOOD.replace("\n", "\r\n"),
            GOOD.replace("\n", "\n\n"),
            GOOD.replace(",", " , "),
            "Score,Criterion,Judge,Entry\n7.5,balance,J1,E1\n-3,balance,J1,E2\n",
        ],
        ids=["plain", "byte order mark", "CRLF", "empty lines", "spaces", "other order"],
    )
    def test_it_reads(self, write, content):
        expected = (Score("E1", "J1", "balance", 7.5), Score("E2", "J1", "balance", -3.0))
        assert read_scores(write(content)).scores == expected

    def test_it_reads_repeats(self, write):
        text = "entry,judge,criterion,score,repeat\nE1,J1,balance,7,\nE1,J1,balance,8,2\n"
        assert [score.repeat for score in read_scores(write(text)).scores] == ["", "2"]

    @pytest.mark.parametrize(
        ("content", "message"),
        [
            ("", "the file is empty"),
            ("entry,judge,criterion,score\n", "no row below"),
            (b"\x89PNG\r\n\x1a\n\x00\xff", "not a text file in UTF-8"),
            ("entry,judge\0", "not a text file"),
            (GOOD.replace(",", ";"), "line 1: separated by semicolons"),
            (GOOD.replace(",", "\t"), "line 1: separated by tabs"),
            (
                GOOD.replace("judge,", "juror,"),
                'line 1: column "judge" is missing; column "juror" is not known',
            ),
            (GOOD.replace("score\n", "score,score\n"), 'column "score" is there twice'),
            (GOOD + "E3,J1,balance,good\n", 'line 4, column "score": "good" is not a number'),
            (GOOD + 'E3,J1,balance,"7,5"\n', "decimal point"),
            (GOOD + "E3,J1,balance,nan\n", '"nan" is not a number'),
            (GOOD + "E3,J1,balance,inf\n", '"inf" is not a number'),
            (GOOD + "E3,J1,balance,1_0\n", '"1_0" is not a number'),
            (GOOD + "E3,J1,balance,1e999\n", "beyond any scale"),
            (GOOD + "E3,J1,balance,\n", 'line 4, column "score": empty'),
            (GOOD + ",J1,balance,4\n", 'line 4, column "entry": empty'),
            (GOOD + "E3,J1,balance\n", "line 4: 3 fields where the header names 4"),
            (GOOD + "E3,J1,balance,4,5\n", "line 4: 5 fields where the header names 4"),
            (GOOD + "E1,J1,balance,9\n", "line 4: the same entry, judge and criterion as line 2"),
            (GOOD + "E\x1b[2J,J1,balance,9\n", 'line 4, column "entry": contains a control character'),
            (GOOD + 'E3,J1,"balance,4\n', "not readable as CSV"),
        ],
    )
    def test_it_refuses_in_plain_words(self, write, content, message):
        with pytest.raises(SheetsRefused) as refusal:
            read_scores(write(content))
        assert message in str(refusal.value)

    def test_it_refuses_a_missing_file_and_a_folder(self, tmp_path):
        with pytest.raises(SheetsRefused, match="cannot be read: No such file"):
            read_scores(tmp_path / "none.csv")
        with pytest.raises(SheetsRefused, match="cannot be read: Is a directory"):
            read_scores(tmp_path)

    def test_it_names_every_problem_at_once_and_shortens_a_long_list(self, write):
        bad = "".join(f"E{number},J1,balance,bad\n" for number in range(30))
        with pytest.raises(SheetsRefused) as refusal:
            read_scores(write("entry,judge,criterion,score\n" + bad))
        assert len(refusal.value.problems) == 30
        assert "and 20 more" in str(refusal.value)


class TestScoreTable:
    def test_the_part_about_some_entries_has_those_and_no_others(self):
        """Arrays of text cut zeros off the ends of names, and give every name the room of the longest."""
        table = ScoreTable([Score(name, "J1", "mix", 5.0) for name in ("A", "A\0", "B")])
        assert table.of_entries(["A"]).entries == ("A",)
        assert table.of_entries(["B", "A\0", "Z"]).entries == ("A\0", "B")
        with pytest.raises(SheetsRefused, match="There are no scores"):
            table.of_entries([])

    def test_it_refuses_a_score_twice_and_what_is_not_a_number(self):
        score = Score("E1", "J1", "balance", 7.0)
        with pytest.raises(SheetsRefused, match="Judge J1, entry E1: criterion balance is scored twice"):
            ScoreTable((score, score))
        with pytest.raises(SheetsRefused, match="not a usable score"):
            ScoreTable((Score("E1", "J1", "balance", float("nan")),))
        with pytest.raises(SheetsRefused, match="no scores"):
            ScoreTable(())


class TestWeights:
    def test_it_reads(self, write):
        assert read_weights(write("criterion,weight\nbalance,30\ntone,0.5\n")) == {
            "balance": Decimal(30),
            "tone": Decimal("0.5"),
        }

    @pytest.mark.parametrize(
        ("content", "message"),
        [
            ("criterion,weight\nbalance,heavy\n", 'line 2, column "weight": "heavy" is not a number'),
            ("criterion,weight\nbalance,1\nbalance,2\n", "line 3: criterion balance has a weight already"),
        ],
    )
    def test_it_refuses_in_plain_words(self, write, content, message):
        with pytest.raises(SheetsRefused, match=message):
            read_weights(write(content))

    def test_shares_depend_on_proportions_only(self):
        criteria = ["a", "b", "c", "d", "e"]
        scores = sheets({("J1", "E1"): [1, 2, 3, 4, 5]}, criteria)
        percent = dict(zip(criteria, [30, 25, 20, 15, 10], strict=True))
        parts = dict(zip(criteria, [Decimal(n) for n in (6, 5, 4, 3, 2)], strict=True))
        assert shares(scores, percent) == shares(scores, parts)
        assert shares(scores) == dict.fromkeys(criteria, 0.2)

    @pytest.mark.parametrize(
        ("weights", "message"),
        [
            ({"a": 1}, "Criterion b has scores and no weight"),
            ({"a": 1, "b": 1, "c": 1}, "Criterion c has a weight and no scores"),
            ({"a": 1, "b": -1}, "0 or more; it is -1"),
            ({"a": 1, "b": float("nan")}, "0 or more; it is nan"),
            ({"a": 1, "b": Decimal("Infinity")}, "0 or more; it is Infinity"),
            ({"a": 0, "b": 0}, "All weights are 0"),
        ],
    )
    def test_it_refuses_weights_that_do_not_fit(self, weights, message):
        with pytest.raises(SheetsRefused, match=message):
            shares(sheets({("J1", "E1"): [1, 2]}, ["a", "b"]), weights)


class TestWeightedHearings:
    def test_it_weights(self):
        scores = sheets({("J1", "E1"): [8, 4], ("J1", "E2"): [2, 6]}, ["balance", "tone"])
        hearings = weighted_hearings(scores, shares(scores, {"balance": 3, "tone": 1}))
        np.testing.assert_allclose(hearings.total, [7.0, 3.0], atol=1e-12)

    def test_it_averages_repeats_and_counts_one_judge(self):
        scores = ScoreTable((Score("E1", "J1", "balance", 6, "1"), Score("E1", "J1", "balance", 7, "2")))
        hearings = weighted_hearings(scores, shares(scores))
        assert list(hearings.total) == [6.5]
        assert list(hearings.hearings_of_entry) == [1]

    def test_it_names_incomplete_sheets(self):
        scores = ScoreTable(
            (
                Score("E1", "J1", "balance", 6),
                Score("E1", "J1", "tone", 6),
                Score("E2", "J1", "tone", 6),
                Score("E2", "J2", "balance", 6, "2"),
            )
        )
        with pytest.raises(SheetsRefused) as refusal:
            weighted_hearings(scores, shares(scores))
        assert refusal.value.problems == (
            "Judge J1, entry E2: the sheet lacks balance.",
            "Judge J2, entry E2 (repeat 2): the sheet lacks tone.",
        )

    def test_a_criterion_without_weight_has_no_influence_not_even_by_its_absence(self):
        scores = sheets({("J1", "E1"): [8, 4], ("J1", "E2"): [2, 6]}, ["balance", "tone"])
        lacking = ScoreTable(scores.scores[:-1])
        weights = {"balance": 1, "tone": 0}
        alone = weighted_hearings(table({"J1": {"E1": 8, "E2": 2}}), {"overall": 1.0})
        for given in (scores, lacking):
            assert list(weighted_hearings(given, shares(given, weights)).total) == list(alone.total)

    def test_the_fit_of_totals_is_the_weighted_sum_of_the_fits(self):
        """Least squares is linear in the scores while every sheet is complete."""
        rng = np.random.default_rng(0)
        criteria = ["a", "b", "c"]
        given = {
            (f"J{judge}", f"E{entry}"): rng.normal(6, 1, 3)
            for entry in range(8)
            for judge in rng.permutation(5)[:3]
        }
        scores = sheets(given, criteria)
        share = shares(scores, {"a": 5, "b": 3, "c": 2})
        whole = fit_severity(weighted_hearings(scores, share)).adjusted
        parts = [share[c] * fit_severity(weighted_hearings(scores, {c: 1.0})).adjusted for c in criteria]
        np.testing.assert_allclose(whole, np.sum(parts, axis=0), atol=1e-9)
