"""Saving, sealing, standing aside."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from decimal import Decimal

import pytest

from contests.judging import sheets
from contests.judging.drafts import Draft, SheetRefused
from contests.judging.sheets import SheetChanged, revision_of, save_draft, stand_aside, submit_sheet
from contests.models import Assignment, Entry, Round, ScoreSheet
from contests.states import EntryState, HearingState, RoundState
from tests import cast
from tests.contests.judging.conftest import Stage, kept_scores

pytestmark = pytest.mark.django_db


@pytest.fixture
def hearing(stage: Stage) -> Assignment:
    """A judge's first hearing."""
    return stage.hearings(stage.judges[0])[0]


def draft_of(hearing: Assignment, *values: str | None, **words: str) -> Draft:
    """A draft with values for the criteria in order."""
    rubric = hearing.round.contest.criteria.all()
    scores = {
        one.pk: None if value is None else Decimal(value) for one, value in zip(rubric, values, strict=False)
    }
    return Draft(scores, **words)


class TestSaveDraft:
    def test_it_keeps_what_was_typed(self, hearing: Assignment) -> None:
        save_draft(
            hearing, draft_of(hearing, "7.5", comment="Clear low end.", private_note="Reed?"), now=cast.NOW
        )
        sheet = ScoreSheet.objects.get()
        assert (sheet.comment, sheet.private_note) == ("Clear low end.", "Reed?")
        assert (sheet.saved_at, sheet.submitted_at) == (cast.NOW, None)
        assert kept_scores(hearing) == {"Balance": Decimal("7.50")}

    def test_what_is_not_named_stays(self, hearing: Assignment) -> None:
        save_draft(hearing, draft_of(hearing, "7.5", "6", comment="Clear."), now=cast.NOW)
        save_draft(hearing, draft_of(hearing, "8"), now=cast.NOW)
        assert ScoreSheet.objects.get().comment == "Clear."
        assert kept_scores(hearing) == {"Balance": Decimal(8), "Depth": Decimal(6)}

    def test_a_score_can_be_cleared(self, hearing: Assignment) -> None:
        save_draft(hearing, draft_of(hearing, "7.5", "6"), now=cast.NOW)
        save_draft(hearing, draft_of(hearing, None), now=cast.NOW)
        assert kept_scores(hearing) == {"Depth": Decimal(6)}

    def test_being_late_is_no_wall(self, hearing: Assignment) -> None:
        late = hearing.round.contest.judging_until + timedelta(days=1)
        assert save_draft(hearing, draft_of(hearing, "7"), now=late).saved_at == late

    def test_an_older_page_does_not_overwrite_a_newer_sheet(self, hearing: Assignment) -> None:
        first = save_draft(hearing, draft_of(hearing, comment="One."), now=cast.NOW, based_on="")
        old = revision_of(first)
        save_draft(
            hearing, draft_of(hearing, comment="Two."), now=cast.NOW + timedelta(seconds=1), based_on=old
        )
        later = cast.NOW + timedelta(seconds=2)
        with pytest.raises(SheetChanged, match="another window") as refused:
            save_draft(hearing, draft_of(hearing, comment="Three."), now=later, based_on=old)
        assert refused.value.sheet.comment == "Two."
        assert ScoreSheet.objects.get().comment == "Two."

    def test_an_older_page_that_says_the_same_is_welcome(self, hearing: Assignment) -> None:
        save_draft(hearing, draft_of(hearing, "7", comment="Two."), now=cast.NOW)
        again = save_draft(hearing, draft_of(hearing, "7.0", comment="Two."), now=cast.NOW, based_on="")
        assert again.comment == "Two."

    def test_two_first_saves_at_once_do_not_overwrite_each_other(self, hearing: Assignment) -> None:
        save_draft(hearing, draft_of(hearing, comment="One."), now=cast.NOW, based_on="")
        with pytest.raises(SheetChanged):
            save_draft(hearing, draft_of(hearing, comment="Other."), now=cast.NOW, based_on="")


class TestSubmitSheet:
    def test_it_seals(self, hearing: Assignment) -> None:
        submit_sheet(hearing, draft=draft_of(hearing, "7.5", "6", comment="Clear."), now=cast.NOW)
        sheet = ScoreSheet.objects.get()
        assert sheet.submitted_at == cast.NOW
        hearing.refresh_from_db()
        assert hearing.state == HearingState.SUBMITTED

    def test_what_is_missing_is_named_and_the_words_are_kept(self, hearing: Assignment) -> None:
        with pytest.raises(SheetRefused, match="One score is still missing: Depth"):
            submit_sheet(hearing, draft=draft_of(hearing, "7.5", comment="Clear."), now=cast.NOW)
        sheet = ScoreSheet.objects.get()
        assert (sheet.comment, sheet.submitted_at) == ("Clear.", None)
        assert kept_scores(hearing) == {"Balance": Decimal("7.5")}

    def test_an_empty_sheet_names_them_all(self, hearing: Assignment) -> None:
        with pytest.raises(SheetRefused, match="2 scores are still missing: Balance and Depth"):
            submit_sheet(hearing, now=cast.NOW)

    def test_a_contest_without_a_rubric_cannot_be_scored(self, hearing: Assignment) -> None:
        hearing.round.contest.criteria.all().delete()
        with pytest.raises(SheetRefused, match="no rubric"):
            submit_sheet(hearing, draft=Draft({}), now=cast.NOW)

    def test_a_sealed_sheet_never_changes(self, hearing: Assignment) -> None:
        submit_sheet(hearing, draft=draft_of(hearing, "7.5", "6", comment="Clear."), now=cast.NOW)
        before = ScoreSheet.objects.values().get(), kept_scores(hearing)
        later = cast.NOW + timedelta(minutes=1)
        attempts: list[Callable[[], object]] = [
            lambda: save_draft(hearing, draft_of(hearing, "1", comment="x"), now=later),
            lambda: submit_sheet(hearing, draft=draft_of(hearing, "1", "1"), now=later),
            lambda: submit_sheet(hearing, now=later),
            lambda: stand_aside(hearing),
        ]
        for attempt in attempts:
            with pytest.raises(SheetRefused, match="sealed"):
                attempt()
        assert (ScoreSheet.objects.values().get(), kept_scores(hearing)) == before


class TestStandAside:
    def test_the_judge_leaves_and_nothing_can_be_written(self, hearing: Assignment) -> None:
        save_draft(hearing, draft_of(hearing, "7.5", "6"), now=cast.NOW)
        stand_aside(hearing)
        hearing.refresh_from_db()
        assert hearing.state == HearingState.STOOD_ASIDE
        with pytest.raises(SheetRefused, match="You stood aside"):
            submit_sheet(hearing, now=cast.NOW)
        with pytest.raises(SheetRefused, match="You stood aside"):
            stand_aside(hearing)
        assert ScoreSheet.objects.get().submitted_at is None


class TestOnlyWhileTheRoundIsOpen:
    @pytest.mark.parametrize("act", ["save", "submit", "stand_aside"])
    @pytest.mark.parametrize(
        ("close", "sentence"),
        [
            (lambda: Round.objects.update(state=RoundState.CLOSED), "The host has closed this round"),
            (lambda: Entry.objects.update(state=EntryState.DISQUALIFIED), "took this mix out"),
        ],
        ids=["closed", "taken out"],
    )
    def test_then_nothing_is_taken(
        self, hearing: Assignment, act: str, close: Callable[[], object], sentence: str
    ) -> None:
        save_draft(hearing, draft_of(hearing, "7", "7"), now=cast.NOW)
        close()
        acts: dict[str, Callable[[], object]] = {
            "save": lambda: save_draft(hearing, draft_of(hearing, "1"), now=cast.NOW),
            "submit": lambda: submit_sheet(hearing, draft=draft_of(hearing, "1"), now=cast.NOW),
            "stand_aside": lambda: stand_aside(hearing),
        }
        with pytest.raises(SheetRefused, match=sentence):
            acts[act]()
        hearing.refresh_from_db()
        assert hearing.state == HearingState.WAITING
        assert kept_scores(hearing) == {"Balance": Decimal(7), "Depth": Decimal(7)}

    def test_before_it_opens_nothing_is_taken_either(self, hearing: Assignment) -> None:
        Round.objects.update(state=RoundState.PREPARING)
        with pytest.raises(SheetRefused):
            save_draft(hearing, draft_of(hearing, "1"), now=cast.NOW)


class TestRevision:
    def test_it_tells_apart_what_is_a_microsecond_apart(self) -> None:
        first = ScoreSheet(saved_at=cast.NOW)
        second = ScoreSheet(saved_at=cast.NOW + timedelta(microseconds=1))
        assert int(revision_of(second)) - int(revision_of(first)) == 1
        assert sheets.revision_of(None) == ""
