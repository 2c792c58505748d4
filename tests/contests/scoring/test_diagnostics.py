"""What is said of a judge's work, against other libraries and against judges with a known fault."""

import numpy as np
import pandas
import pytest
import statsmodels.formula.api as smf
from scipy.stats import chi2, kendalltau

from contests.scoring.diagnostics import (
    FEWEST_REPEATS,
    TimeSpent,
    _leverage,
    judges_work,
    order_effect,
    self_consistency,
    time_spent,
)
from contests.scoring.severity import fit_severity
from contests.scoring.sheets import Score, ScoreTable, shares, weighted_hearings
from contests.scoring.standing import rank
from tests.contests.scoring.sheetmaking import CATALYSTS

N_ENTRIES, N_JUDGES = 40, 8


def panel(seed: int, faults: dict[str, dict[str, float]] | None = None, hearings: int = 4) -> ScoreTable:
    """Scores of a panel whose judges differ in severity; `faults` gives a judge noise, scale or drift."""
    rng = np.random.default_rng(seed)
    quality = rng.standard_normal(N_ENTRIES)
    scores = []
    heard: dict[int, int] = {}
    for entry in range(N_ENTRIES):
        for judge in rng.permutation(N_JUDGES)[:hearings]:
            fault = {"noise": 0.6, "scale": 1.0, "drift": 0.0} | (faults or {}).get(f"J{judge}", {})
            position = heard[judge] = heard.get(judge, -1) + 1
            value = 6 + 0.3 * judge + fault["scale"] * quality[entry] + fault["drift"] * position
            value += fault["noise"] * rng.standard_normal()
            scores.append(Score(f"E{entry:02}", f"J{judge}", "overall", float(value)))
    return ScoreTable(tuple(scores))


def positions(scores: ScoreTable) -> dict[tuple[str, str], int]:
    """The order in which `panel` had them heard: by entry."""
    found: dict[tuple[str, str], int] = {}
    for judge in scores.judges:
        entries = sorted(one.entry for one in scores.scores if one.judge == judge)
        found |= {(judge, entry): at for at, entry in enumerate(entries)}
    return found


def work_of(scores: ScoreTable, judge: str, **wishes):
    return next(one for one in judges_work(scores, **wishes) if one.judge == judge)


class TestLeverage:
    @pytest.mark.parametrize("scores", [CATALYSTS, panel(1)], ids=["catalysts", "panel"])
    def test_it_is_that_of_ordinary_least_squares(self, scores):
        """statsmodels: the diagonal of the hat matrix of total ~ entry + judge."""
        hearings = weighted_hearings(scores, shares(scores))
        fit = fit_severity(hearings)
        data = pandas.DataFrame({"y": hearings.total, "e": hearings.entry_index, "j": hearings.judge_index})
        other = smf.ols("y ~ C(e) + C(j)", data).fit().get_influence().hat_matrix_diag
        ours = _leverage(fit, hearings.entry_index, hearings.judge_index)
        np.testing.assert_allclose(ours, other, atol=1e-10)


class TestJudgesWork:
    def test_an_honest_panel_gives_no_alarm_more_often_than_chance(self):
        chances = [one.misfit_p for seed in range(25) for one in judges_work(panel(seed))]
        # 200 judges, none at fault: about 1 % below .01. Six of 200 or more has a chance of 1.7 % (binomial).
        assert np.mean(np.array(chances) < 0.01) < 6 / 200
        assert np.mean(np.array(chances) < 0.5) == pytest.approx(0.5, abs=0.12)

    def test_a_judge_with_thrice_the_noise_stands_out(self):
        work = judges_work(panel(3, {"J2": {"noise": 1.8}}))
        assert max(work, key=lambda one: one.misfit).judge == "J2"
        assert next(one for one in work if one.judge == "J2").misfit_p < 1e-4

    def test_keeping_to_the_middle_and_going_to_the_ends_show_in_the_scale(self):
        scores = panel(5, {"J1": {"scale": 0.3}, "J4": {"scale": 2.2}})
        scales = {one.judge: one.scale for one in judges_work(scores)}
        assert min(scales, key=scales.get) == "J1"
        assert max(scales, key=scales.get) == "J4"

    def test_the_order_is_kendalls_tau_with_the_others(self):
        scores = panel(6)
        rest = rank(ScoreTable(tuple(one for one in scores.scores if one.judge != "J3")))
        adjusted = {row.entry: row.adjusted for row in rest.entries}
        own = {one.entry: one.value for one in scores.scores if one.judge == "J3"}
        expected = kendalltau([own[e] for e in own], [adjusted[e] for e in own]).statistic
        assert work_of(scores, "J3").order == pytest.approx(expected)

    def test_a_drift_is_found_where_positions_are_known(self):
        scores = panel(7, {"J5": {"drift": 0.2}})
        drifting = work_of(scores, "J5", positions=positions(scores))
        assert drifting.drift > 0.05
        assert drifting.drift_p < 1e-3
        assert work_of(scores, "J5").drift is None

    def test_tiring_within_sessions_is_found_and_is_no_drift(self):
        """Five mixes from rest to rest; the scores fall within a session and start anew with the next."""
        rng, plain = np.random.default_rng(11), panel(11, hearings=6)
        at = positions(plain)
        within = {key: place % 5 + 1 for key, place in at.items()}
        scores = ScoreTable(
            tuple(
                Score(one.entry, one.judge, one.criterion, one.value - 0.5 * within[one.judge, one.entry])
                if one.judge == "J5"
                else one
                for one in plain.scores
            )
        )
        tiring = work_of(scores, "J5", positions=at, session_positions=within)
        assert tiring.tiring < -0.2
        assert tiring.tiring_p < 1e-3
        assert tiring.drift_p > 0.01
        assert work_of(scores, "J5", positions=at).tiring is None
        shuffled = dict(zip(within, rng.permutation(list(within.values())), strict=True))
        assert work_of(scores, "J5", session_positions=shuffled).tiring_p > 0.01

    def test_halo_is_the_mean_correlation_of_the_criteria(self):
        rng = np.random.default_rng(1)
        grid = rng.standard_normal((12, 3))
        scores = ScoreTable(
            tuple(
                Score(f"E{entry:02}", judge, f"c{number}", float(value))
                for judge in ("J1", "J2")
                for entry, row in enumerate(grid)
                for number, value in enumerate(row)
            )
        )
        expected = np.corrcoef(grid.T)[np.triu_indices(3, 1)].mean()
        assert work_of(scores, "J1").halo == pytest.approx(expected)

    def test_of_few_hearings_nothing_is_said(self):
        for one in judges_work(CATALYSTS):
            assert (one.hearings, one.misfit, one.order, one.scale, one.halo) == (3, None, None, None, None)


class TestOrderEffect:
    @pytest.mark.parametrize("seed", range(5))
    def test_it_is_that_of_ordinary_least_squares(self, seed):
        """statsmodels: total ~ entry + judge + position, with its 95% interval; some positions unknown."""
        scores, rng = panel(seed), np.random.default_rng(seed)
        at = {key: place for key, place in positions(scores).items() if rng.random() < 0.8}
        rows = [
            {"y": one.value, "e": one.entry, "j": one.judge, "x": at[one.judge, one.entry]}
            for one in scores.scores
            if (one.judge, one.entry) in at
        ]
        other = smf.ols("y ~ C(e) + C(j) + x", pandas.DataFrame(rows)).fit()
        found = order_effect(scores, None, at)
        assert found.hearings == len(rows)
        assert found.change == pytest.approx(other.params["x"], abs=1e-9)
        assert (found.lowest, found.highest) == pytest.approx(tuple(other.conf_int().loc["x"]), abs=1e-9)

    def test_a_panel_that_tires_is_found_although_no_judge_alone_is(self):
        plain = panel(14)
        # In another order than that of the entries, or the entries' own effects would be the position's.
        rng = np.random.default_rng(14)
        at = {}
        for judge in plain.judges:
            own = [key for key in positions(plain) if key[0] == judge]
            at |= dict(zip(own, rng.permutation(len(own)).tolist(), strict=True))
        tired = ScoreTable(
            tuple(
                Score(one.entry, one.judge, one.criterion, one.value - 0.04 * at[one.judge, one.entry])
                for one in plain.scores
            )
        )
        found = order_effect(tired, None, at)
        assert found.lowest < -0.04 < found.highest < 0
        assert order_effect(plain, None, at).change == pytest.approx(found.change + 0.04)
        assert sum(one.drift_p < 0.01 for one in judges_work(tired, positions=at)) < 3

    def test_what_cannot_be_told_apart_is_not_told(self):
        assert order_effect(panel(1), None, {}) is None
        everybody_at_once = dict.fromkeys(positions(panel(1)), 1)
        assert order_effect(panel(1), None, everybody_at_once) is None


class TestTimeSpent:
    def test_it_counts_what_is_known_and_what_was_short(self):
        heard = [(0.0, None), (0.5, 1), (1.0, 2), (2.5, None)]
        assert time_spent("Ruy", heard) == TimeSpent("Ruy", 3, 1, None, None)
        assert time_spent("Ruy", []) == TimeSpent("Ruy", 0, 0, None, None)

    def test_who_heard_a_mix_once_from_end_to_end_was_not_short(self):
        # 119.9 of 120 s: what a player counts of its last buffers, and tenths, are no haste.
        assert time_spent("Ruy", [(119.9 / 120, 1), (116.0 / 120, 2)]).short == 1

    def test_who_hurries_is_found_by_the_slope(self):
        rng = np.random.default_rng(2)
        heard = [(2.0 - 0.2 * at + 0.02 * rng.standard_normal(), at) for at in (1, 2, 3, 4, 5, 1, 2, 3, 4)]
        found = time_spent("Ruy", heard)
        assert found.change == pytest.approx(-0.2, abs=0.02)
        assert found.change_p < 1e-6


def heard_twice(
    pairs: dict[str, list[tuple[float, float]]], criteria: tuple[str, ...] = ("overall",)
) -> ScoreTable:
    """Each judge's pairs of totals, one entry a pair, all in round 1."""
    return ScoreTable(
        tuple(
            Score(f"E{at:02}", judge, criterion, value, repeat)
            for judge, given in pairs.items()
            for at, pair in enumerate(given)
            for repeat, value in zip(("1", "1/1"), pair, strict=True)
            for criterion in criteria
        )
    )


class TestSelfConsistency:
    def test_it_is_the_error_of_one_hearing(self):
        """By hand: differences 1, −1 and 2, so s² = 6 / (2·3) = 1."""
        found = self_consistency(heard_twice({"Ruy": [(7, 6), (5, 6), (8, 6)]}))
        assert [(one.judge, one.pairs) for one in found] == [("Ruy", 3)]
        assert found[0].error_sd == pytest.approx(1.0)

    def test_a_perfect_repeater_has_none(self):
        (found,) = self_consistency(heard_twice({"Ruy": [(7, 7), (5, 5)]}))
        assert (found.error_sd, found.lowest, found.highest) == (0, 0, 0)

    def test_which_hearing_came_first_does_not_matter(self):
        one = self_consistency(heard_twice({"Ruy": [(7, 6), (5, 6.5)]}))
        assert self_consistency(heard_twice({"Ruy": [(6, 7), (6.5, 5)]})) == one

    def test_it_is_of_the_weighted_total(self):
        table = heard_twice({"Ruy": [(7, 6), (5, 6)]}, criteria=("Balance", "Space"))
        moved = ScoreTable(
            tuple(
                Score(s.entry, s.judge, s.criterion, s.value + (3 if s.criterion == "Space" else 0), s.repeat)
                for s in table.scores
            )
        )
        weights = {"Balance": 3, "Space": 1}
        assert self_consistency(moved, weights) == self_consistency(table, weights)

    def test_the_same_mix_in_two_rounds_is_no_repeat(self):
        scores = (Score("E00", "Ruy", "overall", 7, "1"), Score("E00", "Ruy", "overall", 5, "2"))
        assert self_consistency(ScoreTable(scores)) == ()

    def test_the_interval_holds_the_true_error_as_often_as_it_says(self):
        """2,000 judges with 4 pairs each, error sd 0.7: within 1.5% of 95% (three standard errors)."""
        rng = np.random.default_rng(1)
        pairs = {
            f"J{judge:04}": [tuple(row) for row in rng.normal(6, 0.7, (4, 2)).tolist()]
            for judge in range(2000)
        }
        found = self_consistency(heard_twice(pairs))
        held = np.mean([one.lowest <= 0.7 <= one.highest for one in found])
        assert held == pytest.approx(0.95, abs=0.015)

    def test_how_few_pairs_say_how_little(self):
        """The powers that the docstring states, for a doubled error at a false alarm in a hundred."""
        power = {r: chi2.sf(chi2.isf(0.01, r) / 4, r) for r in (2, 3, 4, 6, 8, 10)}
        stated = {2: 0.32, 3: 0.41, 4: 0.51, 6: 0.65, 8: 0.75, 10: 0.83}
        assert power == pytest.approx(stated, abs=0.015)
        assert power[FEWEST_REPEATS] > 0.5

    def test_repeats_never_count_as_a_second_judge(self):
        table = heard_twice({"Ruy": [(7, 6), (5, 6)], "Ilse": [(6, 6), (4, 5)]})
        assert [row.hearings for row in rank(table).entries] == [2, 2]
