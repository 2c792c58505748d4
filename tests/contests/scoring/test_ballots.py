"""Packets drawn evenly, and ballots counted by the ranks within each."""

from __future__ import annotations

import itertools
import json
import random
from collections import Counter

import numpy as np
import pytest
from scipy import stats

from contests.scoring.ballots import count_ballots, draw_packet
from contests.scoring.errors import SheetsRefused

FIELD = ["a", "b", "c", "d", "e", "f", "g", "h"]


def packets(ballots: int, *, field: list[str] = FIELD, size: int = 5) -> list[tuple[str, ...]]:
    """Packets as they are drawn one after the other."""
    shown = dict.fromkeys(field, 0)
    drawn = []
    for number in range(ballots):
        drawn.append(draw_packet(shown, size=size, seed=f"7:{number}"))
        for one in drawn[-1]:
            shown[one] += 1
    return drawn


def some_ballots(number: int, *, seed: int = 1) -> dict[str, list[str]]:
    """Ballots of voters who like early letters better, with errors."""
    rng = np.random.default_rng(seed)
    quality = dict(zip(FIELD, np.linspace(1.5, -1.5, len(FIELD)), strict=True))
    return {
        str(n): sorted(packet, key=lambda one: -(quality[one] + rng.normal()))
        for n, packet in enumerate(packets(number))
    }


def row_of(tally, entry):
    return next(row for row in tally.entries if row.entry == entry)


class TestPackets:
    @pytest.mark.parametrize("ballots", [1, 3, 8, 21])
    def test_no_mix_is_shown_more_than_once_more_than_another(self, ballots):
        shown = Counter(dict.fromkeys(FIELD, 0))
        for packet in packets(ballots):
            assert len(set(packet)) == 5
            shown.update(packet)
        assert max(shown.values()) - min(shown.values()) <= 1

    def test_they_hang_on_nothing_but_the_seed(self):
        shown = dict.fromkeys(FIELD, 0)
        again = dict.fromkeys(reversed(FIELD), 0)
        assert draw_packet(shown, size=5, seed="1") == draw_packet(again, size=5, seed="1")
        assert len({draw_packet(shown, size=5, seed=str(seed)) for seed in range(30)}) > 25

    def test_each_mix_comes_first_about_as_often(self):
        # 4,000 packets: 500 firsts a mix are expected; chi-square with 7 degrees of freedom, p > 0.001.
        firsts = Counter(packet[0] for packet in packets(4000))
        assert stats.chisquare([firsts[one] for one in FIELD]).pvalue > 0.001

    def test_too_small_a_field_is_refused(self):
        with pytest.raises(SheetsRefused, match="A packet of 5 cannot be drawn from 4 mixes"):
            draw_packet(dict.fromkeys("abcd", 0), size=5, seed="1")


class TestCounting:
    def test_by_hand(self):
        # a: 1, 1, 0.5; b: 0.5, 0, 1; c: 0, 0.5; d: 0.
        tally = count_ballots({"1": "abc", "2": "acb", "3": "bad"}, list("abcd"))
        found = {row.entry: (row.place, row.ballots, row.mean_rank) for row in tally.entries}
        assert found == {
            "a": (1, 3, pytest.approx(5 / 6)),
            "b": (2, 3, pytest.approx(1 / 2)),
            "c": (3, 2, pytest.approx(1 / 4)),
            "d": (4, 1, 0.0),
        }
        assert [row.entry for row in tally.entries] == list("abcd")
        assert row_of(tally, "d").standard_error is None  # one ballot has no spread

    def test_error_and_interval_of_a_mean_are_the_usual_ones(self):
        # scipy.stats.sem and scipy.stats.t.interval on the ranks that a mix got.
        ballots = some_ballots(40)
        tally = count_ballots(ballots, FIELD)
        for row in tally.entries:
            ranks = [
                1 - order.index(row.entry) / (len(order) - 1)
                for order in ballots.values()
                if row.entry in order
            ]
            assert row.ballots == len(ranks)
            assert row.mean_rank == pytest.approx(np.mean(ranks))
            assert row.standard_error == pytest.approx(stats.sem(ranks))
            low, high = stats.t.interval(0.95, len(ranks) - 1, np.mean(ranks), stats.sem(ranks))
            assert (row.lowest, row.highest) == (
                pytest.approx(max(0, low)),
                pytest.approx(min(1, high)),
            )

    def test_tied_with_first_agrees_with_drawing_ballots_again(self):
        """The bootstrap over whole ballots (Efron and Tibshirani 1993, chapter 6): no formula enters it."""
        ballots = some_ballots(120)
        tally = count_ballots(ballots, FIELD)
        first = tally.entries[0].entry
        rng = np.random.default_rng(5)
        names = list(ballots)
        gaps: dict[str, list[float]] = {one: [] for one in FIELD}
        for _ in range(600):
            again = {str(n): ballots[names[one]] for n, one in enumerate(rng.integers(0, 120, 120))}
            mean = {row.entry: row.mean_rank for row in count_ballots(again, FIELD).entries}
            for one in FIELD:
                gaps[one].append(mean[first] - mean[one])
        for row in tally.entries[1:]:
            low = np.quantile(gaps[row.entry], 0.025)
            if abs(low) > 0.02:  # a border case may fall either way
                assert row.tied_with_first == (low <= 0), row
        assert {row.tied_with_first for row in tally.entries} == {True, False}

    def test_equals_share_a_place_and_both_are_tied(self):
        tally = count_ballots({"1": "abc", "2": "bac"}, list("abc"))
        assert [(row.entry, row.place, row.tied_with_first) for row in tally.entries[:2]] == [
            ("a", 1, True),
            ("b", 1, True),
        ]
        assert row_of(tally, "c").place == 3

    def test_the_order_of_ballots_and_the_names_of_mixes_do_not_matter(self):
        ballots = some_ballots(30)
        turned = dict(reversed(list(ballots.items())))
        assert count_ballots(ballots, FIELD) == count_ballots(turned, FIELD)
        renamed = dict(zip(FIELD, reversed([one.upper() for one in FIELD]), strict=True))
        other = count_ballots(
            {name: [renamed[one] for one in order] for name, order in ballots.items()},
            sorted(renamed.values()),
        )
        for row in count_ballots(ballots, FIELD).entries:
            twin = row_of(other, renamed[row.entry])
            assert (twin.place, twin.mean_rank) == (row.place, pytest.approx(row.mean_rank))

    def test_lifting_a_mix_on_one_ballot_never_lowers_it(self):
        ballots = some_ballots(15)
        before = {row.entry: row.mean_rank for row in count_ballots(ballots, FIELD).entries}
        for name, order in ballots.items():
            for at in range(1, len(order)):
                lifted = [*order]
                lifted[at - 1], lifted[at] = lifted[at], lifted[at - 1]
                after = row_of(count_ballots(ballots | {name: lifted}, FIELD), order[at])
                assert after.mean_rank > before[order[at]]

    def test_what_left_the_field_leaves_every_ballot_and_the_rest_moves_together(self):
        assert count_ballots({"1": "axbc"}, list("abc")) == count_ballots({"1": "abc"}, list("abc"))

    def test_a_ballot_with_one_mix_left_says_nothing(self):
        tally = count_ballots({"1": "axy", "2": "ab"}, ["a", "b"])
        assert (tally.ballots, tally.left_out) == (1, 1)

    def test_without_ballots_nobody_has_a_place(self):
        tally = count_ballots({}, ["a", "b"])
        assert [(row.place, row.mean_rank, row.tied_with_first) for row in tally.entries] == [
            (None, None, False)
        ] * 2
        json.dumps(tally.as_json_dict(), allow_nan=False)

    def test_a_mix_twice_on_a_ballot_is_refused(self):
        with pytest.raises(SheetsRefused, match="Ballot 1 names a mix twice"):
            count_ballots({"1": "aba"}, ["a", "b"])

    def test_random_ballots_about_equal_mixes_seldom_single_one_out(self):
        """In a field of equals a 95% interval of one pair leaves 0 out in about a twentieth of all cases."""
        apart = 0
        chance = random.Random(3)
        for _ in range(200):
            ballots = {str(n): chance.sample(packet, 5) for n, packet in enumerate(packets(40))}
            tally = count_ballots(ballots, FIELD)
            # Of two mixes named beforehand, not of the first and the last found.
            one, other = row_of(tally, "a"), row_of(tally, "b")
            apart += one.lowest > 0.5 or one.highest < 0.5 or other.lowest > 0.5 or other.highest < 0.5
        assert 0.03 * 200 <= apart <= 0.17 * 200  # two intervals, each .05


def test_a_complete_field_has_means_that_add_up():
    """The ranks of a ballot of n mixes add up to n/2, whatever their order."""
    for order in itertools.permutations("abc"):
        tally = count_ballots({"1": order}, list("abc"))
        assert sum(row.mean_rank for row in tally.entries) == pytest.approx(1.5)
