"""Keep, unsure, pass: the numbers they become, and what the fit makes of them."""

import numpy as np
import pytest

from contests.scoring.assigning import assign_hearings
from contests.scoring.severity import Hearings, fit_severity
from contests.scoring.sheets import ScoreTable
from contests.scoring.sorting import sorting_scores
from contests.scoring.standing import rank


def adjusted(given):
    """Adjusted steps from `given[judge]` = a word of k, u and p, one letter an entry; a dot is not heard."""
    words = {"k": "keep", "u": "unsure", "p": "pass"}
    verdicts = [
        (f"E{at}", judge, words[letter], "1")
        for judge, row in given.items()
        for at, letter in enumerate(row)
        if letter != "."
    ]
    return {row.entry: row.adjusted for row in rank(ScoreTable(sorting_scores(verdicts))).entries}


class TestSortingScores:
    def test_equal_steps_from_pass_to_keep(self):
        assert adjusted({"Ruy": "kup"}) == pytest.approx({"E0": 2, "E1": 1, "E2": 0})

    def test_another_word_is_refused(self):
        with pytest.raises(ValueError, match="maybe"):
            sorting_scores([("E0", "Ruy", "maybe", "1")])

    def test_a_judge_who_keeps_little_costs_nobody_the_place(self):
        """By hand: Ruy and Ilse share E1, where Ruy is a step harder; E0 and E2 are then equal."""
        found = adjusted({"Ruy": "up.", "Ilse": ".uk"})
        assert found["E0"] == pytest.approx(found["E2"])

    def test_a_judge_who_keeps_everything_says_nothing(self):
        without = adjusted({"Ruy": "kup", "Ilse": "kkp"})
        with_one_more = adjusted({"Ruy": "kup", "Ilse": "kkp", "Tomas": "kkk"})
        order = sorted(without, key=without.get)
        assert sorted(with_one_more, key=with_one_more.get) == order

    def test_it_finds_more_of_the_best_third_than_counting_steps_does(self):
        """60 entries, 12 judges, 3 hearings; quality sd 1, severity sd 0.8, error sd 0.7, thirds as steps.

        The sds are assumptions, not field data. 60 contests; the two methods see the very same verdicts.
        """
        names, seats = [str(n) for n in range(60)], [str(n) for n in range(12)]
        fitted, counted = [], []
        for seed in range(60):
            rng = np.random.default_rng(seed)
            quality, severity = rng.standard_normal(60), rng.normal(0, 0.8, 12)
            plan = assign_hearings(names, seats, hearings=3, seed=seed)
            entry, judge = np.array(
                sorted((int(e), int(j)) for j, heard in plan.order.items() for e in heard), dtype=np.intp
            ).T
            felt = quality[entry] + severity[judge] + rng.normal(0, 0.7, entry.size)
            steps = np.digitize(felt, [-0.43, 0.43]).astype(float)  # thirds of a normal field
            hearings = Hearings(entry, judge, steps, 60, 12)
            best = set(np.argsort(-quality)[:20])
            for found, values in (
                (fitted, fit_severity(hearings).adjusted),
                (counted, hearings.mean_of_entry(steps)),
            ):
                # A hair of chance decides between equals, the same for both.
                order = np.argsort(-(values + 1e-6 * np.random.default_rng(seed).random(60)))
                found.append(len(best & set(order[:20])) / 20)
        assert np.mean(fitted) > np.mean(counted) + 0.015  # seen here: .76 and .73
        assert np.mean(fitted) > 0.7
