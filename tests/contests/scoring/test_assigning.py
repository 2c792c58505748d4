"""Assignments: what every plan must keep, and what is refused in words.

What a plan must keep is checked by counting; the bounds on pairs and strength come from the balanced
incomplete block design, the best that can exist.
"""

from collections import Counter
from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest

from contests.scoring.assigning import (
    REPEAT_DISTANCE,
    Assignment,
    assign_hearings,
    assign_to_everybody,
    top_up,
    with_repeats,
)
from contests.scoring.errors import Infeasible, SheetsRefused
from contests.scoring.severity import Hearings, fit_severity


def entries(count: int) -> list[str]:
    return [f"E{number:02}" for number in range(count)]


def judges(count: int) -> list[str]:
    return [f"J{number:02}" for number in range(count)]


ENTRIES_OF_A_FINAL = entries(15)


def judges_of(plan: Assignment, entry: str) -> tuple[str, ...]:
    """Who is to hear an entry, in the order of the panel."""
    return tuple(judge for judge, heard in plan.order.items() if entry in heard)


def components_of(plan: Assignment) -> int:
    """Components counted by the model that will be fitted to the scores, not by the plan's own word."""
    names = sorted({entry for heard in plan.order.values() for entry in heard})
    pairs = np.array(
        [(names.index(e), j) for j, heard in enumerate(plan.order.values()) for e in heard], dtype=np.intp
    )
    hearings = Hearings(pairs[:, 0], pairs[:, 1], np.zeros(len(pairs)), len(names), len(plan.order))
    return fit_severity(hearings).components


def spread(plan: Assignment) -> int:
    return max(plan.loads.values()) - min(plan.loads.values())


def positions_of(plan: Assignment) -> dict[str, list[float]]:
    """Where each entry stands in its judges' lists: 0 is the start of a list, 1 the end."""
    found: dict[str, list[float]] = {}
    for heard in plan.order.values():
        for at, entry in enumerate(heard):
            found.setdefault(entry, []).append((at + 0.5) / len(heard))
    return found


def spread_of_means(plan: Assignment) -> float:
    """The standard deviation over the entries of their mean positions."""
    return float(np.std([np.mean(own) for own in positions_of(plan).values()]))


def shuffled(plan: Assignment, seed: int) -> Assignment:
    """The same hearings, each list in a plain random order."""
    rng = np.random.default_rng(seed)
    order = {judge: tuple(rng.permutation(heard).tolist()) for judge, heard in plan.order.items()}
    return replace(plan, order=order)


class TestAssignHearings:
    @pytest.mark.parametrize(
        ("n_entries", "n_judges", "hearings"),
        [
            (60, 12, 3),
            (18, 6, 3),
            (7, 7, 3),
            (5, 6, 2),
            (2, 3, 2),
            (40, 5, 2),
            (8, 4, 4),
            (1, 1, 1),
            (31, 9, 4),
        ],
    )
    @pytest.mark.parametrize("seed", [0, 1, 2])
    def test_every_plan_is_complete_level_and_linked(self, n_entries, n_judges, hearings, seed):
        plan = assign_hearings(entries(n_entries), judges(n_judges), hearings=hearings, seed=seed)
        for entry in entries(n_entries):
            assert len(judges_of(plan, entry)) == hearings
        assert all(len(set(heard)) == len(heard) for heard in plan.order.values())
        assert sum(plan.loads.values()) == n_entries * hearings
        assert spread(plan) <= 1
        assert plan.connected
        assert components_of(plan) == 1

    @pytest.mark.parametrize("seed", range(5))
    def test_conflicts_are_never_broken(self, seed):
        rng = np.random.default_rng(seed)
        conflicts = {
            (f"J{judge:02}", entry) for entry in entries(60)[::3] for judge in rng.integers(12, size=3)
        }
        plan = assign_hearings(entries(60), judges(12), hearings=3, conflicts=conflicts, seed=seed)
        assert not conflicts & {(judge, entry) for judge, heard in plan.order.items() for entry in heard}
        assert spread(plan) <= 2
        assert all(len(judges_of(plan, entry)) == 3 for entry in entries(60))

    def test_the_tightest_linked_plan_is_found(self):
        """Five entries of two hearings and six judges: 10 hearings for 11 names, so the links form a tree."""
        for seed in range(30):
            plan = assign_hearings(entries(5), judges(6), hearings=2, seed=seed)
            assert components_of(plan) == 1
            assert spread(plan) == 1

    def test_linking_respects_conflicts(self):
        """The same tight demand, where an exchange between the groups could put a judge before a conflict."""
        conflicts = {("J00", "E00"), ("J01", "E01"), ("J02", "E02"), ("J03", "E03"), ("J04", "E04")}
        for seed in range(30):
            plan = assign_hearings(entries(5), judges(6), hearings=2, conflicts=conflicts, seed=seed)
            assert not conflicts & {(judge, entry) for judge, heard in plan.order.items() for entry in heard}
            assert components_of(plan) == 1

    def test_pairs_of_judges_meet_about_equally(self):
        """60 entries by 3 make 180 meetings over 66 pairs, 2.7 each; a random draw leaves pairs at 0."""
        for seed in range(5):
            plan = assign_hearings(entries(60), judges(12), hearings=3, seed=seed)
            meetings = [len(set(a) & set(b)) for a, b in combinations(plan.order.values(), 2)]
            assert min(meetings) >= 1
            assert max(meetings) <= 5

    def test_strength_is_that_of_the_complete_design(self):
        """Every judge hears all: every other eigenvalue is 1, which is the balanced formula at k = J."""
        plan = assign_hearings(entries(8), judges(4), hearings=4)
        assert plan.strength == pytest.approx(1.0, abs=1e-12)
        assert plan.ideal_strength == pytest.approx(1.0, abs=1e-12)

    def test_strength_stays_below_the_balanced_design_and_near_it(self):
        """`(k − 1)/k · J/(J − 1)`, the eigenvalue of a balanced incomplete block design; by algebra."""
        plan = assign_hearings(entries(300), judges(24), hearings=3)
        assert plan.ideal_strength == pytest.approx(2 / 3 * 24 / 23)
        assert 0.9 * plan.ideal_strength < plan.strength <= plan.ideal_strength

    def test_anchors_are_heard_by_all_and_link_single_hearings(self):
        plan = assign_hearings(entries(12), judges(4), hearings=1, anchors=["E03", "house mix"])
        assert judges_of(plan, "house mix") == tuple(judges(4))
        assert judges_of(plan, "E03") == tuple(judges(4))
        assert all(len(judges_of(plan, entry)) == 1 for entry in entries(12) if entry != "E03")
        assert components_of(plan) == 1
        assert spread(plan) <= 1

    def test_the_same_seed_gives_the_same_plan_and_another_another(self):
        plans = [assign_hearings(entries(20), judges(5), hearings=2, seed=seed) for seed in (7, 7, 8)]
        assert plans[0] == plans[1]
        assert plans[0] != plans[2]

    def test_each_judge_has_an_own_order(self):
        plan = assign_hearings(entries(20), judges(4), hearings=4)
        assert len(set(plan.order.values())) == 4
        assert all(set(heard) == set(entries(20)) for heard in plan.order.values())

    def test_first_and_last_places_are_spread_over_the_entries(self):
        """In 400 independent orders of 10 each entry is first 40 times, within 3.9 standard deviations."""
        first = [
            assign_hearings(entries(10), ["J"], hearings=1, seed=seed).order["J"][0] for seed in range(400)
        ]
        counts = [first.count(entry) for entry in entries(10)]
        assert min(counts) >= 17
        assert max(counts) <= 63

    @pytest.mark.parametrize(("n_entries", "n_judges", "hearings"), [(60, 12, 3), (40, 5, 2), (31, 9, 4)])
    def test_each_entry_stands_early_in_the_middle_and_late_over_its_judges(
        self, n_entries, n_judges, hearings
    ):
        """Against a plain shuffle, by algebra: the mean of k uniform positions has the spread √(1/(12 k)).

        One position in each of k equal parts gives √(1/(12 k³)), half of it at k = 2. Lists do not part
        evenly, so 0.6 of the plain spread is asked for.
        """
        for seed in range(5):
            plan = assign_hearings(entries(n_entries), judges(n_judges), hearings=hearings, seed=seed)
            plain = (12 * hearings) ** -0.5
            assert spread_of_means(plan) < 0.6 * plain
            assert spread_of_means(shuffled(plan, seed)) > plain / 1.5

    def test_so_it_does_in_a_final_and_beside_anchors_and_conflicts(self):
        final = assign_to_everybody(entries(15), judges(3), conflicts=[("J00", "E03")], seed=1)
        assert spread_of_means(final) < 0.5 * 36**-0.5
        conflicts = [("J00", entry) for entry in entries(60)[:10]]
        anchored = assign_hearings(
            entries(60), judges(12), hearings=3, anchors=["house mix"], conflicts=conflicts, seed=1
        )
        assert spread_of_means(anchored) < 0.5 * 36**-0.5
        own = positions_of(anchored)["house mix"]
        assert [sum(at < bound for at in own) for bound in (1 / 3, 2 / 3)] == pytest.approx([4, 8], abs=1)

    def test_one_list_alone_is_still_a_draw(self):
        """Over 400 seeds one entry is as often in each quarter of a judge’s list: 100 times, within 4 sd.

        The binomial has the standard deviation √(400 · 1/4 · 3/4) = 8.7.
        """
        plans = [assign_to_everybody(entries(8), judges(4), seed=seed) for seed in range(400)]
        for judge in judges(4):
            quarters = Counter(plan.order[judge].index("E03") // 2 for plan in plans)
            assert all(abs(quarters[quarter] - 100) < 35 for quarter in range(4))

    def test_who_is_listed_first_is_not_heard_first(self):
        """The order of the list, as that of upload, says nothing: the same orders come from a list reversed.

        In a final, where the list decides nothing about who hears what.
        """
        one = assign_to_everybody(entries(12), judges(4), seed=5)
        assert assign_to_everybody(entries(12)[::-1], judges(4), seed=5).order == one.order

    def test_a_lopsided_conflict_is_told(self):
        conflicts = [("J00", entry) for entry in entries(20)[:17]]
        plan = assign_hearings(entries(20), judges(4), hearings=2, conflicts=conflicts)
        assert plan.loads["J00"] == 3
        assert any("uneven: 3 to" in note for note in plan.notes)


class TestInfeasible:
    @pytest.mark.parametrize(
        ("demand", "reason"),
        [
            ({"hearings": 5}, "5 hearings an entry need 5 judges; there are 4"),
            ({"hearings": 1}, "can link at most 1 of the 4 judges"),
            (
                {"hearings": 3, "conflicts": [("J00", "E01"), ("J01", "E01")]},
                "Too few judges without a conflict for E01: 3 are needed",
            ),
            (
                {"hearings": 2, "anchors": ["E00"], "conflicts": [("J02", "E00")]},
                "J02 has a conflict with E00. Choose another anchor",
            ),
            (
                {
                    "hearings": 2,
                    "conflicts": [(j, e) for j in ("J00", "J01") for e in ("E00", "E01", "E02")]
                    + [(j, e) for j in ("J02", "J03") for e in ("E03", "E04", "E05")],
                },
                "groups of judges who may not hear any common entry: J02, J03; J00, J01",
            ),
        ],
    )
    def test_it_says_why(self, demand, reason):
        with pytest.raises(Infeasible) as refusal:
            assign_hearings(entries(6), judges(4), **demand)
        assert reason in refusal.value.reason

    def test_too_many_judges_for_the_entries_cannot_be_linked(self):
        with pytest.raises(Infeasible, match="link at most 4 of the 12 judges"):
            assign_hearings(entries(3), judges(12), hearings=2)


class TestBadNames:
    @pytest.mark.parametrize(
        ("demand", "message"),
        [
            ({"entries": ["A", "A"]}, "The entry A is listed twice"),
            ({"judges": ["J", "J"]}, "The judge J is listed twice"),
            ({"anchors": ["A", "A"]}, "The anchor A is listed twice"),
            ({"entries": []}, "no entries"),
            ({"judges": []}, "no judges"),
            ({"hearings": 0}, "at least one hearing"),
            ({"conflicts": [("K", "A")]}, "the judge K, who is not on the list"),
            ({"conflicts": [("J", "Z")]}, "the entry Z, which is not on the list"),
        ],
    )
    def test_it_refuses(self, demand, message):
        call = {"entries": ["A", "B"], "judges": ["J"], "hearings": 1} | demand
        with pytest.raises(SheetsRefused, match=message):
            assign_hearings(call.pop("entries"), call.pop("judges"), **call)


class TestTopUp:
    def test_what_a_judge_leaves_goes_to_the_ends_of_other_lists_evenly(self):
        plan = assign_hearings(entries(24), judges(6), hearings=3)
        rest = {judge: list(heard) for judge, heard in plan.order.items() if judge != "J02"}
        after = top_up(rest, plan.order["J02"], seed=5)
        for judge, heard in rest.items():
            assert after[judge][: len(heard)] == heard
            assert len(after[judge]) == len(set(after[judge])), "somebody hears an entry twice"
        counted = Counter(entry for heard in after.values() for entry in heard)
        assert set(counted.values()) == {3}
        loads = [len(heard) for heard in after.values()]
        assert max(loads) - min(loads) <= 2

    def test_conflicts_hold(self):
        lists = {"J00": ["A"], "J01": [], "J02": []}
        assert top_up(lists, ["A"], conflicts=[("J01", "A")]) == {"J00": ["A"], "J01": [], "J02": ["A"]}

    def test_it_refuses_when_nobody_is_left(self):
        with pytest.raises(Infeasible, match="No other judge may hear entry A"):
            top_up({"J00": ["A"], "J01": []}, ["A"], conflicts=[("J01", "A")])


class TestToEverybody:
    def test_each_judge_hears_everything_in_an_own_order(self):
        plan = assign_to_everybody(ENTRIES_OF_A_FINAL, ["Ruy", "Ilse", "Tomas"], seed=3)
        assert all(sorted(order) == sorted(ENTRIES_OF_A_FINAL) for order in plan.order.values())
        assert len(set(plan.order.values())) == 3
        assert plan.connected

    def test_but_what_a_conflict_forbids(self):
        plan = assign_to_everybody(
            ENTRIES_OF_A_FINAL, ["Ruy", "Ilse"], conflicts=[("Ruy", "E03"), ("Ilse", "E05")]
        )
        assert set(plan.order["Ruy"]) == set(ENTRIES_OF_A_FINAL) - {"E03"}
        assert set(plan.order["Ilse"]) == set(ENTRIES_OF_A_FINAL) - {"E05"}

    def test_an_entry_that_nobody_may_hear_is_named(self):
        with pytest.raises(Infeasible, match="conflict with E03"):
            assign_to_everybody(ENTRIES_OF_A_FINAL, ["Ruy"], conflicts=[("Ruy", "E03")])

    def test_judges_without_a_common_entry_are_refused(self):
        with pytest.raises(Infeasible, match="links"):
            assign_to_everybody(["A", "B"], ["Ruy", "Ilse"], conflicts=[("Ruy", "B"), ("Ilse", "A")])


class TestWithRepeats:
    def plan(self, seed=5):
        return assign_hearings(ENTRIES_OF_A_FINAL, ["Ruy", "Ilse", "Tomas"], hearings=2, seed=seed)

    @pytest.mark.parametrize("seed", range(10))
    def test_so_many_come_twice_at_a_distance(self, seed):
        once = self.plan(seed)
        plan = with_repeats(once, 2, seed=seed)
        for judge, order in plan.order.items():
            twice = [entry for entry, number in Counter(order).items() if number == 2]
            assert len(twice) == 2
            assert max(Counter(order).values()) == 2
            for entry in twice:
                first, second = (at for at, name in enumerate(order) if name == entry)
                assert second - first >= REPEAT_DISTANCE
            assert tuple(dict.fromkeys(order)) == once.order[judge]

    def test_the_seed_decides(self):
        assert with_repeats(self.plan(), 2, seed=1) == with_repeats(self.plan(), 2, seed=1)
        assert with_repeats(self.plan(), 2, seed=1).order != with_repeats(self.plan(), 2, seed=2).order

    def test_a_list_that_is_too_short_takes_fewer_and_says_so(self):
        short = assign_hearings(["A", "B", "C"], ["Ruy", "Ilse"], hearings=2)
        plan = with_repeats(short, 2)
        assert plan.order == short.order
        assert "too short for 2" in plan.notes[-1]

    def test_none_changes_nothing(self):
        assert with_repeats(self.plan(), 0) == self.plan()

    def test_a_negative_number_is_refused(self):
        with pytest.raises(SheetsRefused, match="0 or more"):
            with_repeats(self.plan(), -1)
