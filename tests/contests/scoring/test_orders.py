"""Schulze and Borda against published examples, and what must hold of any orders."""

from collections.abc import Sequence

import numpy as np
import pytest

from contests.scoring.errors import SheetsRefused
from contests.scoring.orders import order_rows, strongest_paths

# Schulze's example with 45 voters and no Condorcet winner. S: ballots, d and p as printed at
# liquisearch.com/schulze_method/example; both tables V by another implementation.
SCHULZE_45 = {
    "ACBED": 5, "ADECB": 5, "BEDAC": 8, "CABED": 3, "CAEBD": 7, "CBADE": 2, "DCEBA": 7, "EBADC": 8,
}  # fmt: skip
PREFERRED = [
    [0, 20, 26, 30, 22],
    [25, 0, 16, 33, 18],
    [19, 29, 0, 17, 24],
    [15, 12, 28, 0, 14],
    [23, 27, 21, 31, 0],
]
STRONGEST = [
    [0, 28, 28, 30, 24],
    [25, 0, 28, 33, 24],
    [25, 29, 0, 29, 24],
    [25, 28, 28, 0, 24],
    [25, 28, 28, 31, 0],
]
# Where to put a capital in Tennessee: Wikipedia's example of several methods. M, V by brute force.
TENNESSEE = {"MNCK": 42, "NCKM": 26, "CKNM": 15, "KCNM": 17}


def ballots(given: dict[str, int]) -> dict[str, Sequence[str]]:
    """So many judges with each order."""
    orders = [order for order, number in given.items() for _ in range(number)]
    return {str(at): order for at, order in enumerate(orders)}


def by_schulze(orders) -> str:
    return "".join(row.entry for row in order_rows(orders))


def by_borda(orders) -> str:
    return "".join(row.entry for row in sorted(order_rows(orders), key=lambda row: row.borda_place))


class TestPublishedExamples:
    def test_strongest_paths_of_schulzes_example(self):
        assert strongest_paths(np.array(PREFERRED)).tolist() == STRONGEST

    def test_order_of_schulzes_example(self):
        assert by_schulze(ballots(SCHULZE_45)) == "EACBD"

    def test_borda_differs_there_and_has_the_printed_points(self):
        rows = {row.entry: row for row in order_rows(ballots(SCHULZE_45))}
        assert by_borda(ballots(SCHULZE_45)) == "EABCD"
        points = {name: row.borda * 4 * 45 for name, row in rows.items()}
        assert points == pytest.approx({"E": 102, "A": 98, "B": 92, "C": 89, "D": 69})

    def test_tennessee(self):
        rows = {row.entry: row for row in order_rows(ballots(TENNESSEE))}
        assert by_schulze(ballots(TENNESSEE)) == "NCKM"  # the Condorcet winner first; Kemeny's order too
        points = {name: row.borda * 3 * 100 for name, row in rows.items()}
        assert points == pytest.approx({"N": 194, "C": 173, "M": 126, "K": 107})
        assert rows["N"].beats == 3


class TestWhatMustHold:
    @pytest.fixture(params=range(20))
    def orders(self, request):
        rng = np.random.default_rng(request.param)
        return {str(judge): "".join(rng.permutation(list("ABCDE"))) for judge in range(7)}

    def test_names_of_judges_do_not_matter(self, orders):
        renamed = dict(zip("hgfedcb", orders.values(), strict=True))
        assert order_rows(renamed) == order_rows(orders)

    def test_names_of_entries_do_not_matter(self, orders):
        other = str.maketrans("ABCDE", "EDCBA")
        places = {row.entry.translate(other): row.schulze_place for row in order_rows(orders)}
        turned = {judge: order.translate(other) for judge, order in orders.items()}
        assert {row.entry: row.schulze_place for row in order_rows(turned)} == places

    def test_who_beats_everybody_is_first(self, orders):
        for row in order_rows(orders):
            if row.beats == 4:
                assert row.schulze_place == 1

    def test_turning_every_order_round_turns_the_schulze_order_round(self, orders):
        places = {row.entry: row.schulze_place for row in order_rows(orders)}
        back = {row.entry: row.schulze_place for row in order_rows({j: o[::-1] for j, o in orders.items()})}
        if len(set(places.values())) == 5:  # a strict order; otherwise places only count who is ahead
            assert back == {name: 6 - place for name, place in places.items()}

    def test_points_sum_to_half_an_entry_each(self, orders):
        """Each order gives n/2 points in all: 0 to 1 in even steps."""
        assert sum(row.borda for row in order_rows(orders)) == pytest.approx(2.5)


class TestPartialOrders:
    def test_a_judge_says_nothing_of_what_was_not_heard(self):
        rows = {row.entry: row for row in order_rows({"Ruy": "AB", "Ilse": "CA"})}
        assert [rows[name].schulze_place for name in "CAB"] == [1, 2, 3]
        assert [rows[name].orders for name in "ABC"] == [2, 1, 1]

    def test_equals_share_a_place(self):
        rows = {row.entry: row.schulze_place for row in order_rows({"Ruy": "AB", "Ilse": "BA"})}
        assert rows == {"A": 1, "B": 1}

    def test_strengths_are_those_of_the_pairs(self):
        """A before B on two of three orders that have both: odds of 2 to 1. C is behind all it met."""
        rows = {row.entry: row for row in order_rows({"Ruy": "ABC", "Ilse": "BA", "Signe": "ABC"})}
        assert rows["A"].strength == pytest.approx(np.log(2) / 2)
        assert rows["A"].strength + rows["B"].strength == pytest.approx(0)
        assert rows["A"].group == rows["B"].group != rows["C"].group
        assert (rows["C"].strength, rows["C"].strength_error) == (None, None)
        assert [rows[name].strength_place for name in "ABC"] == [1, 2, 3]
        assert [(rows[name].always_ahead, rows[name].always_behind) for name in "ABC"] == [
            (False, False),
            (False, False),
            (False, True),
        ]

    def test_who_was_ordered_with_no_other_is_linked_to_nobody(self):
        rows = {row.entry: row for row in order_rows({"Ruy": "AB", "Ilse": "C"})}
        assert rows["A"].island == rows["B"].island != rows["C"].island
        assert rows["C"].always_ahead
        assert rows["C"].always_behind

    def test_nothing_in_nothing_out(self):
        assert order_rows({}) == ()
        assert order_rows({"Ruy": []}) == ()

    def test_an_entry_twice_is_refused(self):
        with pytest.raises(SheetsRefused, match="Ruy orders an entry twice"):
            order_rows({"Ruy": "ABA"})
