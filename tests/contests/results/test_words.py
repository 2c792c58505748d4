"""What the arithmetic says in words, and where the marks of a field lie."""

from __future__ import annotations

import pytest

from contests.results import words
from contests.results.field import MARGIN, STEP, WIDTH, field_of


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
