"""What a judge typed, read against the rubric."""

from __future__ import annotations

from decimal import Decimal

import pytest

from contests.judging.drafts import LONGEST_TEXT, SheetRefused, plain, read_draft
from contests.models import Criterion

RUBRIC = [
    Criterion(pk=1, name="Balance", lowest=Decimal(1), highest=Decimal(10), step=Decimal("0.5")),
    Criterion(pk=2, name="Depth", lowest=Decimal(0), highest=Decimal(4), step=Decimal(1)),
]


class TestReadDraft:
    @pytest.mark.parametrize(
        ("text", "value"),
        [("1", "1"), ("10", "10"), ("7.5", "7.5"), (" 7,5 ", "7.5"), ("7.50", "7.5"), ("1e1", "10")],
    )
    def test_a_score_on_the_scale(self, text: str, value: str) -> None:
        assert read_draft({"score-1": text}, RUBRIC).scores == {1: Decimal(value)}

    @pytest.mark.parametrize(
        "text",
        [
            *(
                "0.5",
                "10.5",
                "7.3",
                "-7.5",
                "seven",
                "NaN",
                "Infinity",
                "-Infinity",
                "sNaN",
                "1e999999",
                "7.5.1",
            ),
            "7.50000000000000000000000000000000000001",
        ],
    )
    def test_a_score_off_the_scale_is_named_with_the_scale(self, text: str) -> None:
        with pytest.raises(SheetRefused, match=r"Balance: .* from 1 to 10 in steps of 0\.5"):
            read_draft({"score-1": text}, RUBRIC)

    def test_the_step_is_counted_from_the_lowest(self) -> None:
        with pytest.raises(SheetRefused, match="Depth"):
            read_draft({"score-2": "2.5"}, RUBRIC)
        odd = Criterion(pk=3, name="Air", lowest=Decimal(1), highest=Decimal(9), step=Decimal(2))
        assert read_draft({"score-3": "7"}, [odd]).scores == {3: Decimal(7)}
        with pytest.raises(SheetRefused):
            read_draft({"score-3": "6"}, [odd])

    def test_every_wrong_score_is_named(self) -> None:
        with pytest.raises(SheetRefused, match=r"Balance: 11 .* Depth: 9 "):
            read_draft({"score-1": "11", "score-2": "9"}, RUBRIC)

    def test_empty_clears_and_absent_leaves(self) -> None:
        draft = read_draft({"score-1": "", "comment": ""}, RUBRIC)
        assert draft.scores == {1: None}
        assert (draft.comment, draft.private_note) == ("", None)

    def test_fields_of_others_are_passed_over(self) -> None:
        assert read_draft({"score-99": "5", "entry": "7"}, RUBRIC).scores == {}

    def test_a_form_and_a_script_say_the_same(self) -> None:
        # WHATWG HTML, 4.10.22: a form sends line ends as CR LF.
        form, script = {"comment": "Low end:\r\nclear."}, {"comment": "Low end:\nclear."}
        assert read_draft(form, RUBRIC) == read_draft(script, RUBRIC)

    def test_no_nul_reaches_the_database(self) -> None:
        assert read_draft({"comment": "a\0b"}, RUBRIC).comment == "ab"

    def test_a_text_may_be_long_but_not_endless(self) -> None:
        assert read_draft({"comment": "x" * LONGEST_TEXT}, RUBRIC).comment == "x" * LONGEST_TEXT
        with pytest.raises(SheetRefused, match=r"10,001 letters; at most 10,000"):
            read_draft({"private_note": "x" * (LONGEST_TEXT + 1)}, RUBRIC)

    @pytest.mark.parametrize("junk", [["7"], {"a": 1}, True, 7.25])
    def test_what_a_script_never_sends_is_refused(self, junk: object) -> None:
        with pytest.raises(SheetRefused, match="Balance"):
            read_draft({"score-1": junk}, RUBRIC)


class TestPlain:
    @pytest.mark.parametrize(
        ("value", "text"), [("7.50", "7.5"), ("10.00", "10"), ("0.25", "0.25"), ("100", "100")]
    )
    def test_it_has_no_zeros_at_its_end_and_no_exponent(self, value: str, text: str) -> None:
        assert plain(Decimal(value)) == text
