"""What the arithmetic says in words, and where the marks of a field lie."""

from __future__ import annotations

import pytest

from contests.results import words
from contests.results.field import MARGIN, STEP, WIDTH, field_of
from contests.scoring.diagnostics import OrderEffect, TimeSpent
from contests.scoring.orders import order_rows


class TestAgreement:
    @pytest.mark.parametrize(
        ("alpha", "said"),
        [
            # Krippendorff's own limits (Content Analysis, 2004, from memory): .800 and .667.
            (1.0, "agree well"),
            (0.8, "agree well"),
            (0.799, "fairly"),
            (0.667, "fairly"),
            (0.666, "little"),
            (0.0, "no better than chance"),
            (-0.2, "no better than chance (alpha −0.20)"),
            (None, "not defined"),
        ],
    )
    def test_it_says_how_far_judges_agree(self, alpha, said):
        assert said in words.agreement(alpha)


class TestSeverity:
    @pytest.mark.parametrize(
        ("value", "said"),
        [(0.5, "stricter by 0.50"), (-1.25, "more generous by 1.25"), (0.004, "as the panel")],
    )
    def test_positive_is_stricter(self, value, said):
        assert words.severity(value) == said


class TestAdjustment:
    def test_it_is_the_difference_of_what_is_shown(self):
        # 5.5749 and 5.9451 are shown as 5.57 and 5.95; their own difference would be shown as 0.37.
        assert "0.38 points were added" in words.adjustment(5.5749, 5.9451)

    def test_generous_judges_cost_points(self):
        assert "more generous than the panel, so 1.00 points were taken off" in words.adjustment(8.0, 7.0)

    def test_nothing_is_said_of_less_than_is_shown(self):
        assert "nothing was added or taken" in words.adjustment(7.0, 7.001)


class TestFieldOf:
    def test_lowest_left_highest_right_and_the_middle_between(self):
        field = field_of([4.0, 8.0, 6.0], own=6.0)
        assert field.own.x == WIDTH / 2
        assert [dot.x for dot in field.dots] == [MARGIN, WIDTH - MARGIN]
        assert (field.lowest, field.median, field.highest) == (4.0, 6.0, 8.0)
        assert (field.better_than, field.others) == (1, 2)

    def test_equals_are_stacked_with_the_own_one_at_the_bottom(self):
        field = field_of([5.0, 7.0, 7.0, 7.0], own=7.0)
        stack = [dot.y for dot in field.dots if dot.x == field.own.x]
        assert stack == [field.own.y - STEP, field.own.y - 2 * STEP]
        assert field.better_than == 1
        assert all(0 < dot.y < field.height for dot in [field.own, *field.dots])

    def test_one_entry_stands_in_the_middle(self):
        field = field_of([7.0], own=7.0)
        assert (field.own.x, field.dots, field.others) == (WIDTH / 2, [], 0)

    def test_a_total_that_is_not_there_is_refused(self):
        with pytest.raises(ValueError, match="not in list"):
            field_of([7.0], own=6.0)


def said_of(orders):
    """The sentences about strengths, and each entry's own words; entries are called by their letters."""
    rows = order_rows(orders)
    sentences = words.strengths(rows, {row.entry: row.entry for row in rows})
    return sentences, {row.entry: words.strength(row) for row in rows}


class TestStrengths:
    def test_on_one_scale_there_is_nothing_to_say(self):
        sentences, each = said_of({"Ruy": "AB", "Ilse": "BA", "Signe": "AB"})
        assert sentences == []
        # By hand: odds of 2 to 1, and the variance of their logarithm is 1/2 + 1.
        assert each == {"A": "0.35 ± 0.61", "B": "−0.35 ± 0.61"}

    def test_who_wins_everything_is_told_in_words(self):
        sentences, each = said_of({"Ruy": "ABC", "Ilse": "ACB"})
        assert each == {"A": "no bound above", "B": "0.00 ± 0.71", "C": "0.00 ± 0.71"}
        assert len(sentences) == 1
        assert sentences[0].startswith("No strength can be given for A: the orders that compare it")

    def test_two_groups_and_one_between_them(self):
        sentences, each = said_of({"Ruy": "ABCDE", "Ilse": "BACED"})
        assert each["C"] == "no bound"
        assert "No strength can be given for C:" in sentences[0]
        assert sentences[1] == "Compare strengths only within each of these groups: A, B; D, E."

    def test_orders_that_never_contradict_each_other(self):
        sentences, each = said_of({"Ruy": "ABC", "Ilse": "AC"})
        assert len(sentences) == 1
        assert "nowhere contradict each other" in sentences[0]
        assert (each["A"], each["C"]) == ("no bound above", "no bound below")

    def test_what_no_order_links(self):
        sentences, each = said_of({"Ruy": "AB", "Ilse": "BA", "Signe": "C"})
        assert sentences == ["No order links these groups, so nothing can be said between them: A, B; C."]
        assert each["C"] == "ordered with no other"

    def test_of_nothing_nothing_is_said(self):
        assert said_of({}) == ([], {})


class TestTimeSpent:
    def test_it_names_what_was_heard_shortly(self):
        assert words.time_spent(TimeSpent("1", 12, 0, None, None)) == []
        (said,) = words.time_spent(TimeSpent("1", 12, 3, None, None))
        assert said.startswith("3 of 12 mixes were heard for less than their own length")
        assert (
            "1 of 12 mixes was heard for less than its own"
            in words.time_spent(TimeSpent("1", 12, 1, None, None))[0]
        )

    @pytest.mark.parametrize(
        ("change", "chance", "lines"), [(-0.12, 0.001, 1), (-0.12, 0.02, 0), (0.12, 0.001, 0)]
    )
    def test_it_names_who_hurries_and_nobody_by_luck(self, change, chance, lines):
        found = words.time_spent(TimeSpent("1", 12, 0, change, chance))
        assert len(found) == lines
        assert not lines or "12% of its length less" in found[0]


class TestOrderEffect:
    def test_it_says_whether_it_may_be_none(self):
        none = words.order_effect(OrderEffect(40, 0.02, -0.01, 0.05), "within a session")
        assert "change by 0.02 points over the whole panel (95%: −0.01 to 0.05; 40 hearings)" in none
        assert none.endswith("That may be none at all.")
        some = words.order_effect(OrderEffect(40, -0.2, -0.3, -0.1), "within a session")
        assert "next within a session, totals change by −0.20" in some
        assert "spreads it over the entries" in some
