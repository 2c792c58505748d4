"""Standings: places, ties, what is refused, and the properties that make a result defensible."""

import dataclasses
import json

import numpy as np
import pytest
from scipy.stats import multivariate_t

from contests.scoring import simultaneous
from contests.scoring.severity import Hearings, fit_severity
from contests.scoring.sheets import ScoreTable
from contests.scoring.simultaneous import critical_values
from contests.scoring.standing import Standing, rank
from tests.contests.scoring.sheetmaking import CATALYSTS, sheets, table


def places_of(standing: Standing) -> dict[str, int | None]:
    return {row.entry: row.place for row in standing.entries}


def random_table(seed: int, n_entries: int = 10, n_judges: int = 5, hearings: int = 3) -> ScoreTable:
    """Scores to one decimal; judge j hears entry j and j + 1 at least, so that the design is connected."""
    rng = np.random.default_rng(seed)
    given: dict[str, dict[str, float]] = {f"J{judge}": {} for judge in range(n_judges)}
    for entry in range(n_entries):
        start = int(rng.integers(n_judges)) if entry >= n_judges else entry
        for step in range(hearings):
            judge = (start + step) % n_judges
            given[f"J{judge}"][f"E{entry:02}"] = round(float(rng.normal(6.5, 1.2)), 1)
    return table(given)


class TestCatalysts:
    """Montgomery's incomplete design; values and marks as in test_severity.py."""

    def test_it_ranks_by_the_adjusted_means(self):
        standing = rank(CATALYSTS)
        assert [row.entry for row in standing.entries] == ["E4", "E3", "E2", "E1"]
        assert [row.place for row in standing.entries] == [1, 2, 3, 4]
        first = standing.entries[0]
        assert first.adjusted == pytest.approx(75.0, abs=1e-9)
        assert first.raw_mean == pytest.approx(74.0, abs=1e-9)
        assert first.standard_error == pytest.approx(0.486805, abs=5e-7)
        assert first.hearings == 3

    def test_it_lists_the_judges(self):
        judges = rank(CATALYSTS).judges
        assert [judge.judge for judge in judges] == ["J1", "J2", "J3", "J4"]
        np.testing.assert_allclose([judge.effect for judge in judges], [0.875, 3.0, -3.875, 0.0], atol=1e-9)
        np.testing.assert_allclose(
            [judge.severity for judge in judges], [-0.875, -3.0, 3.875, 0.0], atol=1e-9
        )
        assert judges[0].spread == pytest.approx(np.std([73, 73, 75], ddof=1))

    def test_it_gives_the_analysis_of_variance(self):
        """Montgomery's printed table M, V with statsmodels: 81 = 55 + 22.75 + 3.25."""
        variance = rank(CATALYSTS).variance
        assert variance.total == pytest.approx(81.0, abs=1e-9)
        assert variance.judges_unadjusted == pytest.approx(55.0, abs=1e-9)
        assert variance.entries_adjusted == pytest.approx(22.75, abs=1e-9)
        assert variance.residual == pytest.approx(3.25, abs=1e-9)
        assert variance.judges_adjusted == pytest.approx(66.0833, abs=5e-5)
        assert (variance.entries_freedom, variance.residual_freedom) == (3, 5)
        assert variance.entries_f == pytest.approx(11.667, abs=5e-4)
        assert variance.entries_p == pytest.approx(0.010739, abs=5e-7)

    def test_nobody_is_tied_with_the_first(self):
        """The least gap is 3.000; t(0.975, 5) = 2.571 (printed tables) by 0.698212 is 1.795."""
        standing = rank(CATALYSTS)
        assert [row.tied_with_first for row in standing.entries] == [True, False, False, False]
        assert [row.could_be_first for row in standing.entries] == [True, False, False, False]

    @pytest.mark.parametrize(("raise_by", "tied"), [(1.1, False), (1.3, True)])
    def test_the_interval_of_the_difference_decides(self, raise_by, tied):
        """A constant on all sheets of an entry moves that entry alone: gaps of 1.9 and 1.7 against 1.795."""
        raised = ScoreTable(
            tuple(
                dataclasses.replace(score, value=score.value + raise_by * (score.entry == "E3"))
                for score in CATALYSTS.scores
            )
        )
        second = rank(raised).entries[1]
        assert second.entry == "E3"
        assert second.adjusted == pytest.approx(72 + raise_by, abs=1e-9)
        assert second.tied_with_first is tied

    def test_agreement_that_needs_all_pairs_is_not_defined(self):
        summary = rank(CATALYSTS).summary
        assert (summary.kendall_w, summary.icc_agreement, summary.icc_consistency) == (None, None, None)
        assert summary.alpha_interval < summary.alpha_interval_adjusted


class TestNoFreedom:
    """The hand calculation of test_severity.py: A 7, B 5, C 6, and nothing left for an error."""

    def test_it_ranks_and_claims_no_certainty(self):
        standing = rank(table({"J1": {"A": 8, "B": 6}, "J2": {"B": 4, "C": 5}}))
        assert [(row.entry, row.place) for row in standing.entries] == [("A", 1), ("C", 2), ("B", 3)]
        np.testing.assert_allclose([row.adjusted for row in standing.entries], [7, 6, 5], atol=1e-9)
        assert [row.standard_error for row in standing.entries] == [None] * 3
        assert [row.tied_with_first for row in standing.entries] == [True, None, None]
        assert [row.could_be_first for row in standing.entries] == [True, None, None]
        assert standing.summary.residual_sd is None
        assert standing.summary.degrees_of_freedom == 0
        assert standing.variance.entries_f is None

    def test_one_judge_ranks_by_the_raw_scores(self):
        standing = rank(table({"J1": {"A": 5, "B": 9, "C": 7}}))
        assert places_of(standing) == {"B": 1, "C": 2, "A": 3}
        assert standing.entries[0].standard_error is None

    def test_one_entry_alone_is_first(self):
        standing = rank(table({"J1": {"A": 5}, "J2": {"A": 6}}))
        assert places_of(standing) == {"A": 1}
        assert standing.entries[0].could_be_first is True


class TestPlaces:
    def test_equals_share_a_place_and_the_next_is_skipped(self):
        standing = rank(
            table({"J1": {"A": 9, "B": 7, "C": 7, "D": 5}, "J2": {"A": 9, "B": 7, "C": 7, "D": 4}})
        )
        assert places_of(standing) == {"A": 1, "B": 2, "C": 2, "D": 4}

    def test_rounding_in_the_arithmetic_does_not_part_equals(self):
        """0.1 + 0.2 is not 0.3 in binary: these two entries differ in the last digit only."""
        standing = rank(
            table({"J1": {"A": 0.1, "B": 0.3}, "J2": {"A": 0.2, "B": 0.3}, "J3": {"A": 0.3, "B": 0.0}})
        )
        assert places_of(standing) == {"A": 1, "B": 1}

    def test_a_difference_below_any_display_decides(self):
        standing = rank(table({"J1": {"A": 7.000001, "B": 7}, "J2": {"A": 7, "B": 7}}))
        assert places_of(standing) == {"A": 1, "B": 2}


class TestSimultaneousComparisons:
    def test_an_equal_field_is_tied_in_full_view(self):
        """Ten entries of equal quality, complete design: each is ruled out in about 5% of contests.

        The answers of one contest hang together, so the bound is wider than for 400 independent ones: 90%.
        """
        kept = 0
        for seed in range(40):
            rng = np.random.default_rng(seed)
            given = {f"J{j}": {f"E{e}": float(rng.normal(6, 0.7)) for e in range(10)} for j in range(4)}
            kept += sum(bool(row.could_be_first) for row in rank(table(given)).entries)
        assert 0.90 <= kept / 400 < 1.0

    @pytest.mark.parametrize(("n_entries", "n_judges", "published"), [(3, 11, 2.03), (5, 6, 2.30)])
    def test_the_critical_value_is_dunnetts_in_a_complete_design(self, n_entries, n_judges, published):
        """There each entry is compared with all others as with a control, at 20 degrees of freedom.

        Dunnett 1955, JASA 50, 1096 to 1121, table 1a, one-sided 5%, 2 and 4 others: M. V with scipy's
        multivariate t, correlation one half.
        """
        entry, judge = np.divmod(np.arange(n_entries * n_judges), n_judges)
        scores = np.random.default_rng(0).normal(size=entry.size)
        fit = fit_severity(Hearings(entry, judge, scores, n_entries, n_judges))
        assert fit.degrees_of_freedom == 20
        (critical,) = critical_values(fit, np.array([0]))
        # 4000 draws place a 95% point within about 0.03 (one standard error).
        assert critical == pytest.approx(published, abs=0.09)
        shape = (np.eye(n_entries - 1) + 1.0) / 2
        reference = multivariate_t(shape=shape, df=20, seed=1)
        assert reference.cdf(np.full(n_entries - 1, published)) == pytest.approx(0.95, abs=0.002)

    @pytest.mark.parametrize("first", [1, 5, 64])
    @pytest.mark.parametrize("hearings", [(3, 3), (1, 6)], ids=["equal", "unequal"])
    def test_looking_at_the_largest_errors_first_leaves_no_rival_out(self, monkeypatch, first, hearings):
        """Against all rivals in all draws; few are looked at first, so that the bound has to do its work."""
        monkeypatch.setattr(simultaneous, "LOOKED_AT_FIRST", first)
        rng = np.random.default_rng(5)
        heard = [rng.permutation(8)[: rng.integers(hearings[0], hearings[1] + 1)] for _ in range(80)]
        entry = np.repeat(np.arange(80), [own.size for own in heard])
        fit = fit_severity(Hearings(entry, np.concatenate(heard), rng.normal(size=entry.size), 80, 8))
        error = rng.standard_normal((500, 80)) / np.sqrt(fit.hearings_of_entry)
        rivals = simultaneous._Rivals(error)
        for one in range(80):
            spread = fit.unit_difference_sd(one)
            others = np.arange(80) != one
            behind = (error[:, others] - error[:, [one]]) / spread[others]
            expected = float(np.quantile(np.maximum(behind.max(axis=1), 0.0), 0.95))
            assert rivals.critical_value(one, spread) == expected


class TestProperties:
    def test_neither_order_of_rows_nor_names_matter(self):
        scores = random_table(1)
        shuffled = list(scores.scores)
        np.random.default_rng(2).shuffle(shuffled)
        renamed = [
            dataclasses.replace(score, entry=f"x{99 - int(score.entry[1:])}", judge=f"{score.judge}'")
            for score in shuffled
        ]
        before, after = rank(scores), rank(ScoreTable(tuple(renamed)))
        assert [row.place for row in before.entries] == [row.place for row in after.entries]
        assert [f"x{99 - int(row.entry[1:])}" for row in before.entries] == [
            row.entry for row in after.entries
        ]
        np.testing.assert_allclose(
            [row.adjusted for row in before.entries], [row.adjusted for row in after.entries], atol=1e-9
        )

    def test_a_constant_on_one_judge_changes_no_place(self):
        scores = random_table(3)
        harsh = ScoreTable(
            tuple(
                dataclasses.replace(score, value=score.value - 2.5 * (score.judge == "J2"))
                for score in scores.scores
            )
        )
        before, after = rank(scores), rank(harsh)
        assert places_of(before) == places_of(after)
        severity = {row.judge: row.severity for row in after.judges}
        earlier = {row.judge: row.severity for row in before.judges}
        moved = {judge: severity[judge] - earlier[judge] for judge in severity}
        assert moved["J2"] - moved["J0"] == pytest.approx(2.5, abs=1e-9)
        raw_before = sorted(before.entries, key=lambda row: -row.raw_mean)
        raw_after = sorted(after.entries, key=lambda row: -row.raw_mean)
        assert [row.entry for row in raw_before] != [row.entry for row in raw_after]

    def test_another_scale_changes_no_place_and_no_verdict(self):
        scores = random_table(4)
        doubled = ScoreTable(
            tuple(dataclasses.replace(score, value=2 * score.value + 1) for score in scores.scores)
        )
        before, after = rank(scores), rank(doubled)
        for old, new in zip(before.entries, after.entries, strict=True):
            assert (old.entry, old.place, old.tied_with_first) == (new.entry, new.place, new.tied_with_first)
            assert old.could_be_first == new.could_be_first
            assert new.adjusted == pytest.approx(2 * old.adjusted + 1, abs=1e-9)
            assert new.standard_error == pytest.approx(2 * old.standard_error, abs=1e-9)

    def test_a_complete_design_keeps_the_raw_order(self):
        rng = np.random.default_rng(5)
        standing = rank(
            table({f"J{j}": {f"E{e}": float(rng.normal(6, 1)) for e in range(9)} for j in range(4)})
        )
        raw = [row.raw_mean for row in standing.entries]
        assert raw == sorted(raw, reverse=True)
        np.testing.assert_allclose([row.adjusted for row in standing.entries], raw, atol=1e-9)

    def test_equal_sheets_share_the_place(self):
        scores = random_table(6)
        clone = tuple(
            dataclasses.replace(score, entry="clone") for score in scores.scores if score.entry == "E03"
        )
        places = places_of(rank(ScoreTable(scores.scores + clone)))
        assert places["clone"] == places["E03"]

    def test_equal_repeats_change_nothing(self):
        scores = random_table(7)
        first = scores.scores[0]
        again = (*scores.scores, dataclasses.replace(first, repeat="2"))
        assert rank(ScoreTable(again)).as_json_dict() == rank(scores).as_json_dict()

    def test_first_hearing_and_repeat_may_be_swapped(self):
        scores = random_table(8)
        first = scores.scores[0]
        rest = scores.scores[1:]
        other = dataclasses.replace(first, value=first.value + 1)
        one = ScoreTable((*rest, first, dataclasses.replace(other, repeat="2")))
        two = ScoreTable((*rest, other, dataclasses.replace(first, repeat="2")))
        assert rank(one).as_json_dict() == rank(two).as_json_dict()

    def test_the_same_scores_give_the_same_answer(self):
        assert rank(random_table(9)) == rank(random_table(9))


class TestComponents:
    PANELS = {
        "J1": {"A": 8.0, "B": 6.0, "C": 7.0},
        "J2": {"A": 7.5, "B": 5.5, "C": 6.0},
        "J3": {"D": 9.0, "E": 5.0, "F": 6.0},
        "J4": {"D": 8.0, "E": 5.5, "F": 7.0},
    }

    def test_it_gives_no_joint_place(self):
        standing = rank(table(self.PANELS))
        assert set(places_of(standing).values()) == {None}
        assert {row.tied_with_first for row in standing.entries} == {None}
        assert {row.could_be_first for row in standing.entries} == {None}
        assert not standing.summary.connected
        assert standing.summary.components == 2
        assert "no joint ranking" in standing.summary.method

    def test_it_gives_each_panel_its_own_standing(self):
        standing = rank(table(self.PANELS))
        first, second = standing.separate
        assert places_of(first) == {"A": 1, "C": 2, "B": 3}
        assert places_of(second) == {"D": 1, "F": 2, "E": 3}
        assert {row.component for row in second.entries} == {2}
        assert [judge.judge for judge in standing.judges] == ["J1", "J2", "J3", "J4"]

    def test_one_common_entry_joins_them(self):
        joined = {**self.PANELS, "J3": {**self.PANELS["J3"], "A": 7.0}}
        standing = rank(table(joined))
        assert standing.summary.connected
        assert sorted(places_of(standing).values()) == [1, 2, 3, 4, 5, 6]
        assert standing.separate == ()


class TestJson:
    @pytest.mark.parametrize(
        "scores",
        [
            CATALYSTS,
            table(TestComponents.PANELS),
            table({"J1": {"A": 5}}),
            table({"J1": {"A": 5, "B": 5}, "J2": {"A": 5, "B": 5}}),
            table({"J1": {"A": 5, "B": 6}, "J2": {"A": 4, "B": 5}}),
        ],
        ids=["incomplete", "two panels", "one score", "all equal", "no residual"],
    )
    def test_it_has_only_finite_numbers(self, scores):
        text = json.dumps(rank(scores).as_json_dict(), allow_nan=False)
        assert json.loads(text)["summary"]["components"] in (1, 2)

    def test_without_a_residual_only_equals_are_tied(self):
        standing = rank(table({"J1": {"A": 5, "B": 6, "C": 6}, "J2": {"A": 4, "B": 5, "C": 5}}))
        assert [row.tied_with_first for row in standing.entries] == [True, True, False]
        assert [row.could_be_first for row in standing.entries] == [True, True, False]


class TestTieBreaks:
    def test_the_heaviest_criterion_decides_first(self):
        standing = rank(
            sheets(
                {("J1", "A"): [8, 5], ("J1", "B"): [7, 7], ("J2", "A"): [8, 5], ("J2", "B"): [7, 7]},
                ["x", "y"],
            ),
            {"x": 2, "y": 1},
        )
        assert places_of(standing) == {"A": 1, "B": 1}
        (tie,) = standing.ties
        assert tie.order == (("A",), ("B",))
        assert tie.resolved
        assert [(step.step, step.outcome) for step in tie.steps] == [("adjusted score on x", "separated")]

    def test_criteria_of_equal_weight_are_no_heavier_than_each_other(self):
        given = {("J1", "A"): [8, 5], ("J1", "B"): [5, 8]}
        (tie,) = rank(sheets(given, ["x", "y"])).ties
        assert not tie.resolved
        assert tie.order == (("A", "B"),)

    def test_head_to_head_takes_the_judges_who_heard_both(self):
        """J1 and J2 prefer A to B by 1. J3 and J4 heard one each, and level it out: A 2 below L, B 2 above.

        By symmetry least squares minimises 4(½ − z)² + (−2 − z)² over half their difference z: z = 0.
        """
        given = {
            "J1": {"A": 7, "B": 6, "L": 5},
            "J2": {"A": 7, "B": 6, "L": 5},
            "J3": {"A": 3, "L": 5},
            "J4": {"B": 7, "L": 5},
        }
        standing = rank(table(given))
        (tie,) = standing.ties
        assert tie.entries == ("A", "B")
        assert tie.order == (("A",), ("B",))
        assert [(step.values, step.outcome) for step in tie.steps] == [((7.0, 6.0), "separated")]

    def test_the_median_comes_last_and_what_is_left_stays_tied(self):
        given = {
            "J1": {"A": 9, "B": 7, "C": 7},
            "J2": {"A": 6, "B": 7, "C": 7},
            "J3": {"A": 6, "B": 7, "C": 7},
        }
        standing = rank(table(given))
        assert set(places_of(standing).values()) == {1}
        (tie,) = standing.ties
        assert [step.outcome for step in tie.steps] == ["still tied", "separated"]
        assert tie.order == (("B", "C"), ("A",))
        assert not tie.resolved
        assert [row.entry for row in standing.entries] == ["B", "C", "A"]

    def test_fewer_than_two_common_judges_say_nothing(self):
        (tie,) = rank(table({"J1": {"A": 7, "B": 7}})).ties
        assert tie.steps[0].outcome == "not applicable"
        assert tie.steps[0].values is None
