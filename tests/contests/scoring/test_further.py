"""Hearings that come later: by chance among what is not begun, and nothing that is begun moves."""

from __future__ import annotations

from collections import Counter
from itertools import combinations
from random import Random

import numpy as np
import pytest
from scipy import stats

from contests.scoring.assigning import REPEAT_DISTANCE, assign_hearings, with_repeats
from contests.scoring.further import Stand, moments, places

LUCK = 0.001
"""How seldom an even draw may look as uneven as found, with seeds that are fixed."""


def a_list(seed: int) -> list[Stand]:
    """A judge's list of up to 20 hearings with a repeat or two, some begun, some left."""
    draw = Random(seed)
    entries = [f"entry {n}" for n in range(draw.randint(1, 18))]
    plan = with_repeats(assign_hearings(entries, ["J"], hearings=1, seed=seed), 2, seed=seed)
    begun = draw.randint(0, len(plan.order["J"])) if draw.random() < 0.7 else 0
    return [
        Stand(
            entry,
            is_begun=at < begun and draw.random() < 0.8,
            stays=draw.random() < 0.15,
        )
        for at, entry in enumerate(plan.order["J"])
    ]


def drawn(seed: int) -> dict[str, float]:
    draw = Random(f"{seed} further")
    return {f"new {n}": draw.random() for n in range(draw.randint(1, 4))}


class TestPlaces:
    @pytest.mark.parametrize("seed", range(400))
    def test_whatever_the_list_looks_like(self, seed):
        own, further = a_list(seed), drawn(seed)
        kept, new = places(own, further)
        # Every place is taken once, and the list has no gap.
        assert sorted([*kept, *new.values()]) == list(range(len(own) + len(further)))
        # Nothing moves that is begun or left, and nothing new comes before what is begun.
        for at, one in enumerate(own):
            if one.is_begun or one.stays:
                assert kept[at] == at
            if one.is_begun:
                assert min(new.values()) > at
        # What moves keeps its order, and moves back at most by the number of newcomers and what stays.
        moving = [kept[at] for at, one in enumerate(own) if not (one.is_begun or one.stays)]
        assert moving == sorted(moving)
        # A repeat stays as far from its first hearing as it has to be.
        for one, other in combinations(range(len(own)), 2):
            if own[one].entry == own[other].entry:
                assert kept[other] - kept[one] >= REPEAT_DISTANCE

    def test_a_single_newcomer_may_come_anywhere_behind_what_is_begun_with_equal_chances(self):
        own = [Stand("a", is_begun=True), Stand("b"), Stand("c", is_begun=True)]
        own += [Stand(f"free {n}") for n in range(7)]
        found = Counter(
            places(own, moments({"new": ["J"]}, seed=seed)["J"])[1]["new"] for seed in range(4000)
        )
        assert set(found) == set(range(3, 11))
        assert stats.chisquare([found[at] for at in range(3, 11)]).pvalue > LUCK

    def test_with_everything_begun_it_comes_last(self):
        own = [Stand("a", is_begun=True), Stand("b", is_begun=True)]
        assert places(own, {"new": 0.0, "newer": 0.5}) == ([0, 1], {"new": 2, "newer": 3})

    def test_into_an_empty_list_they_come_by_their_moments(self):
        assert places([], {"late": 0.9, "early": 0.1}) == ([], {"early": 0, "late": 1})

    def test_where_hearings_that_stay_would_bring_a_repeat_too_near_they_come_last(self):
        # Twice in front: “a” would have to pass over the two that were left, from 1 to 4, and come within 5.
        own = [Stand("x"), Stand("a"), Stand("l", stays=True), Stand("m", stays=True)]
        own += [Stand("b"), Stand("c"), Stand("d"), Stand("a")]
        kept, new = places(own, {"new": 0.01, "newer": 0.02})
        assert (kept, new) == (list(range(8)), {"new": 8, "newer": 9})
        # A single one is no trouble: all that may move goes on by one, or passes the same two.
        kept, new = places(own, {"new": 0.99})
        assert kept == list(range(8))
        assert new == {"new": 8}


class TestMoments:
    PANELS = {f"entry {n}": [f"judge {(n + k) % 12}" for k in range(3)] for n in range(12)}

    def test_the_same_seed_gives_the_same_and_another_seed_others(self):
        assert moments(self.PANELS, seed=3) == moments(self.PANELS, seed=3)
        assert moments(self.PANELS, seed=3) != moments(self.PANELS, seed=4)

    def test_the_order_of_names_decides_nothing(self):
        turned = {entry: judges[::-1] for entry, judges in reversed(self.PANELS.items())}
        assert moments(turned, seed=3) == moments(self.PANELS, seed=3)

    def test_an_entry_comes_early_in_the_middle_and_late_once_each(self):
        for seed in range(50):
            drawn = moments(self.PANELS, seed=seed)
            for entry, judges in self.PANELS.items():
                thirds = [int(3 * drawn[judge][entry]) for judge in judges]
                assert sorted(thirds) == [0, 1, 2]

    def test_every_part_comes_to_every_judge_as_often(self):
        found = Counter(
            int(3 * moment) for seed in range(200) for own in moments(self.PANELS, seed=seed).values()
            for moment in own.values()
        )  # fmt: skip
        assert found[0] == found[1] == found[2]
        of_one = [
            moment for seed in range(400) for moment in moments(self.PANELS, seed=seed)["judge 0"].values()
        ]
        assert stats.kstest(of_one, "uniform").pvalue > LUCK

    def test_nothing_for_nothing(self):
        assert moments({}, seed=1) == {}


class TestBalance:
    def test_late_entries_lie_as_evenly_over_their_judges_as_the_others(self):
        """JUDGING of many: each entry early, in the middle and late about equally over its judges.

        The mean over an entry's three judges of where it stands in their lists, 0 to 1, spreads by
        1/sqrt(36) = 0.167 with independent draws (a uniform's variance is 1/12, a mean of three has a third).
        """
        entries, judges = [f"entry {n}" for n in range(60)], [f"judge {n}" for n in range(12)]
        late = {f"late {n}": [judges[(5 * n + 4 * k) % 12] for k in range(3)] for n in range(8)}
        means, found = [], []
        luck = Random("within a place")  # so that a third need not hold a whole number of places
        for seed in range(60):
            plan = assign_hearings(entries, judges, hearings=3, seed=seed)
            drawn = moments(late, seed=seed)
            stands: dict[str, list[float]] = {}
            for judge in judges:
                own = [Stand(entry) for entry in plan.order[judge]]
                _, new = places(own, drawn.get(judge, {}))
                for entry, at in new.items():
                    stands.setdefault(entry, []).append((at + luck.random()) / (len(own) + len(new)))
            means += [np.mean(own) for own in stands.values()]
            found += [place for own in stands.values() for place in own]
        assert np.mean(means) == pytest.approx(0.5, abs=0.01)
        assert np.std(means) < 0.6 / np.sqrt(36)
        thirds = np.histogram(found, bins=3, range=(0, 1))[0] / len(found)
        assert thirds == pytest.approx([1 / 3] * 3, abs=0.02)
