"""What looks odd about ballots, each with a case that does and one that does not."""

from __future__ import annotations

import random

import pytest

from contests.scoring.ballot_doubts import HOUR_S, bursts, crowded_networks, same_orders


def loud_hours(moments: dict[str, float], *, hours: int) -> tuple:
    """The bursts of a vote that lasts so many hours from 1970 on."""
    return bursts(moments, opened_at_s=0.0, ended_at_s=hours * HOUR_S)


def every_hour(number: int, *, hours: int) -> dict[str, float]:
    """So many ballots in each hour."""
    return {f"{hour}-{n}": hour * HOUR_S + n for hour in range(hours) for n in range(number)}


class TestBursts:
    def test_an_hour_with_many_times_the_usual_is_named_with_its_ballots(self):
        loud = {f"l{n}": 30 * HOUR_S + n for n in range(15)}
        (found,) = loud_hours(every_hour(3, hours=30) | loud, hours=31)
        assert (found.hour, found.median_hour, len(found.ballots)) == (30, 3, 15)
        assert set(found.ballots) == set(loud)

    def test_fourteen_against_three_are_none(self):
        loud = {f"l{n}": 9 * HOUR_S + n for n in range(14)}
        assert loud_hours(every_hour(3, hours=9) | loud, hours=10) == ()

    def test_hours_without_a_ballot_are_hours_too(self):
        assert len(loud_hours({str(n): 5.0 * HOUR_S for n in range(10)}, hours=72)) == 1

    def test_few_ballots_are_no_burst_however_quiet_it_was(self):
        assert loud_hours({str(n): 5.0 * HOUR_S for n in range(9)}, hours=72) == ()

    def test_nothing_in_nothing_out(self):
        assert loud_hours({}, hours=72) == ()


class TestSameOrders:
    def test_they_are_grouped(self):
        found = same_orders({"1": "abcde", "2": "abcde", "3": "edcba", "4": "abcde"})
        assert found.groups == (("1", "2", "4"),)
        assert found.pairs == 3

    def test_luck_makes_as_many_as_is_said(self):
        """Voters who throw dice about one packet of three: pairs / 3! on average."""
        chance = random.Random(1)
        found = [same_orders({str(n): chance.sample("abc", 3) for n in range(10)}).pairs for _ in range(2000)]
        expected = same_orders({str(n): "abc" for n in range(10)}).pairs_by_luck
        assert expected == pytest.approx(45 / 6)
        assert sum(found) / len(found) == pytest.approx(expected, rel=0.03)

    def test_the_same_order_of_other_mixes_is_another_ballot(self):
        assert same_orders({"1": "abc", "2": "abd"}).groups == ()


def test_three_ballots_from_one_network_are_named_two_are_not():
    networks = {"1": "n", "2": "n", "3": "n", "4": "m", "5": "m", "6": "", "7": "", "8": ""}
    assert crowded_networks(networks) == (("1", "2", "3"),)
