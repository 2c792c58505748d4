"""Scores that were kept, and sheets sealed since: together the same as reading everything from the rows."""

from __future__ import annotations

from decimal import Decimal

import numpy as np
import pytest
from django.core.cache import cache

from contests.hosting import running
from contests.judging import sheets
from contests.judging.filling_up import drop_out, hear_again
from contests.models import Assignment, Entry, Score, ScoreSheet
from contests.results import kept, publishing, queries, reading, standings
from contests.rounds.cutting import cut_of
from contests.scoring.errors import SheetsRefused
from contests.screening import deciding
from contests.states import HEARD, EntryState, HearingState
from tests.contests import stages
from tests.contests.rounds import staging
from tests.contests.stages import AFTER_THE_CLOSE, Stage

pytestmark = pytest.mark.django_db

NINE = [f"{name} Entrant" for name in ("Ada", "Bo", "Cy", "Di", "Ed", "Flo", "Gus", "Hal", "Ivy")]


def uneven(hearing, criterion) -> float:
    """Scores that differ from sheet to sheet, also of one mix heard twice."""
    return (
        2.0 + (7 * hearing.entry_id + 3 * hearing.judge_id + 5 * criterion.pk + 4 * hearing.repeat) % 13 / 2
    )


def submit_some(stage: Stage, count: int | None = None) -> None:
    """Submit the first so many waiting sheets of the open round, or all of them."""
    rubric = list(stage.contest.criteria.all())
    waiting = Assignment.objects.filter(
        round__contest=stage.contest, state=HearingState.WAITING, entry__state__in=HEARD
    )
    for hearing in waiting.order_by("pk")[:count]:
        stages.submit(hearing, {criterion.pk: uneven(hearing, criterion) for criterion in rubric})


def assert_kept_is_as_fresh(stage: Stage) -> None:
    """The standing and every cut, from what was kept and from the rows alone."""
    fresh = standings.standing_of(stage.contest)
    assert fresh is not None
    assert standings.standing_of(stage.contest, kept.kept_scores).as_json_dict() == fresh.as_json_dict()
    live, _ = queries.live_or_frozen(stage.contest)
    assert live == fresh.as_json_dict()
    for round_ in stage.contest.rounds.filter(goes_on__isnull=False):
        assert cut_of(round_, kept.kept_scores).rows == cut_of(round_).rows


def disqualify(stage: Stage) -> None:
    deciding.disqualify_entry(
        stage.entries[0].pk, actor=stage.host, now=AFTER_THE_CLOSE, reason="Other stems."
    )


def reinstate(stage: Stage) -> None:
    disqualify(stage)
    assert_kept_is_as_fresh(stage)
    deciding.accept_entry(stage.entries[0].pk, actor=stage.host, now=AFTER_THE_CLOSE, reason="An error.")


def stand_aside(stage: Stage) -> None:
    sheets.stand_aside(stage.round.assignments.filter(state=HearingState.WAITING).first())


def leave_the_panel(stage: Stage) -> None:
    waiting = stage.round.assignments.filter(state=HearingState.WAITING)
    drop_out(waiting.last().judge, actor=stage.host, now=AFTER_THE_CLOSE, reason="Ill.")


def replace_an_entry(stage: Stage) -> None:
    stage.entries[1].move_to(EntryState.REPLACED)


def weigh_anew(stage: Stage) -> None:
    stage.contest.criteria.filter(name="Depth").update(weight=Decimal(90))


def take_a_hearing_away(stage: Stage) -> None:
    stage.round.assignments.filter(state=HearingState.SUBMITTED).last().delete()


@pytest.fixture
def stage():
    """Open to the judges, half of the sheets in, and these read and kept."""
    stage = stages.judging(entrants=[*stages.ENTRANTS, "Eno Falk"], hearings_per_entry=2)
    submit_some(stage, 6)
    assert_kept_is_as_fresh(stage)
    return stage


@pytest.fixture
def read_from_rows(monkeypatch):
    """How many sheets were read from the rows, reading by reading, by what keeps them."""
    counts: list[int] = []

    def counted(contest, sheets, criteria):
        counts.append(sheets.sheet.size)
        return reading.scores_from_rows(contest, sheets, criteria)

    monkeypatch.setattr(kept, "scores_from_rows", counted)
    return counts


class TestKeptScores:
    def test_only_sheets_sealed_since_are_read(self, stage, read_from_rows):
        submit_some(stage, 1)
        assert_kept_is_as_fresh(stage)
        assert_kept_is_as_fresh(stage)
        assert read_from_rows == [1]

    def test_nothing_kept_is_read_once(self, stage, read_from_rows):
        cache.clear()
        assert_kept_is_as_fresh(stage)
        assert read_from_rows == [6]

    @pytest.mark.parametrize(
        "change",
        [
            submit_some,
            disqualify,
            reinstate,
            stand_aside,
            leave_the_panel,
            replace_an_entry,
            weigh_anew,
            take_a_hearing_away,
        ],
    )
    def test_after_a_change_and_more_sheets_it_is_the_same(self, stage, change):
        change(stage)
        assert_kept_is_as_fresh(stage)
        submit_some(stage)
        assert_kept_is_as_fresh(stage)

    def test_an_entry_that_left_and_came_back_is_the_standings_again(self, stage):
        before = standings.standing_of(stage.contest, kept.kept_scores)
        reinstate(stage)
        assert standings.standing_of(stage.contest, kept.kept_scores) == before

    def test_further_hearings_and_a_second_round_are_added(self):
        stage = staging.closed()
        staging.open_next(stage)
        submit_some(stage, 5)
        assert_kept_is_as_fresh(stage)
        submit_some(stage)
        assert_kept_is_as_fresh(stage)
        first = staging.close(stage)
        hear_again(first, [stage.entries[3].receipt], actor=stage.host, now=AFTER_THE_CLOSE, reason="Close.")
        submit_some(stage)
        assert_kept_is_as_fresh(stage)
        staging.close(stage)
        staging.open_next(stage)
        submit_some(stage, 2)
        assert_kept_is_as_fresh(stage)
        submit_some(stage)
        assert_kept_is_as_fresh(stage)

    def test_a_hidden_repeat_is_added(self):
        stage = staging.closed({"repeats": 1, "hearings_per_entry": 3}, entrants=NINE)
        staging.open_next(stage)
        again = stage.round.assignments.filter(repeat=1)
        rubric = list(stage.contest.criteria.all())
        for hearing in stage.round.assignments.filter(repeat=0):
            stages.submit(hearing, {line.pk: uneven(hearing, line) for line in rubric})
        assert_kept_is_as_fresh(stage)
        before = standings.standing_of(stage.contest)
        for hearing in again:
            stages.submit(hearing, {line.pk: uneven(hearing, line) for line in rubric})
        assert_kept_is_as_fresh(stage)
        assert standings.standing_of(stage.contest) != before

    def test_another_sheet_under_an_old_key_is_read(self, stage):
        """As when a backup was restored: keys are given out again, and the moment of sealing differs."""
        sheet = ScoreSheet.objects.filter(submitted_at__isnull=False).first()
        Score.objects.filter(sheet=sheet).update(value=1)
        sheet.submitted_at = AFTER_THE_CLOSE.replace(microsecond=1)
        sheet.save()
        assert_kept_is_as_fresh(stage)

    def test_a_decision_keeps_to_the_rows(self, stage):
        """What is kept is spoilt here on purpose; what is decided must not know it."""
        submit_some(stage)
        running.close_judging(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
        fresh = standings.standing_of(stage.contest).as_json_dict()
        found = reading.counting_sheets(stage.contest)
        criteria = list(stage.contest.criteria.order_by("pk").values_list("pk", flat=True))
        value = kept.kept_scores(stage.contest, found, criteria)
        spoilt = kept._KeptScores(tuple(criteria), found.sheet, found.sealed, value[::-1].copy())
        cache.set(f"sealed-{stage.contest.pk}", spoilt)
        assert standings.standing_of(stage.contest, kept.kept_scores).as_json_dict() != fresh
        frozen = publishing.decide_result(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
        frozen.refresh_from_db()
        assert standings.fingerprint(frozen.working) == standings.fingerprint(fresh)


class TestScoresFromRows:
    def test_many_and_few_sheets_are_read_alike(self, stage, monkeypatch):
        """Few are asked for by their keys, many as a whole contest's, another contest's not among them."""
        other = stages.judging(entrants=["Fay Grove", "Gil Hume"], slug="other")
        submit_some(other)
        found = reading.counting_sheets(stage.contest)
        criteria = list(stage.contest.criteria.order_by("pk").values_list("pk", flat=True))
        few = reading.scores_from_rows(stage.contest, found, criteria)
        monkeypatch.setattr(reading, "SHEETS_NAMED_AT_ONCE", 0)
        np.testing.assert_array_equal(reading.scores_from_rows(stage.contest, found, criteria), few)
        by_hand = [
            [float(Score.objects.get(sheet=sheet, criterion=criterion).value) for criterion in criteria]
            for sheet in found.sheet.tolist()
        ]
        assert few.tolist() == by_hand

    def test_criteria_may_come_in_any_order(self, stage):
        found = reading.counting_sheets(stage.contest)
        criteria = list(stage.contest.criteria.order_by("pk").values_list("pk", flat=True))
        turned = reading.scores_from_rows(stage.contest, found, criteria[::-1])
        np.testing.assert_array_equal(
            turned[:, ::-1], reading.scores_from_rows(stage.contest, found, criteria)
        )

    def test_every_decimal_number_becomes_the_float_nearest_to_it(self, stage):
        """A score has two decimals and five digits at most (its column): hundredths of whole numbers."""
        sheet = ScoreSheet.objects.filter(submitted_at__isnull=False).first()
        found = reading.counting_sheets(stage.contest)
        criterion = stage.contest.criteria.first().pk
        for value in ("0.07", "2.30", "8.41", "9.95", "655.36", "999.99"):
            Score.objects.filter(sheet=sheet, criterion=criterion).update(value=Decimal(value))
            read = reading.scores_from_rows(stage.contest, found, [criterion])
            assert read[found.sheet == sheet.pk].item() == float(value)

    def test_a_score_that_is_not_there_is_no_number(self, stage):
        found = reading.counting_sheets(stage.contest)
        criterion = stage.contest.criteria.first().pk
        Score.objects.filter(sheet=found.sheet[0], criterion=criterion).delete()
        read = reading.scores_from_rows(stage.contest, found, [criterion])
        assert np.isnan(read[:, 0]).tolist() == [True] + [False] * 5
        with pytest.raises(SheetsRefused, match="the sheet lacks"):
            standings.standing_of(stage.contest)


class TestCountingSheets:
    def test_drafts_and_entries_that_fell_out_are_not_among_them(self, stage):
        disqualify(stage)
        ScoreSheet.objects.filter(assignment__entry=stage.entries[1]).update(submitted_at=None)
        found = reading.counting_sheets(stage.contest)
        expected = Assignment.objects.filter(state=HearingState.SUBMITTED).exclude(
            entry__in=stage.entries[:2]
        )
        assert found.sheet.tolist() == sorted(expected.values_list("sheet", flat=True))
        assert set(found.entry.tolist()) <= set(
            Entry.objects.filter(state=EntryState.READY).values_list("pk", flat=True)
        )

    def test_nothing_sealed_is_nothing(self):
        stage = stages.judging(entrants=["Fay Grove", "Gil Hume"])
        assert reading.counting_sheets(stage.contest).sheet.size == 0
        assert reading.scores_by_round(stage.contest, kept.kept_scores) == {}
