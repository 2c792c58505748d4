"""Each step of the timetable: what it does, what it refuses, and that both are in the log or neither."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import pytest

from analysis.intake import keeping
from analysis.listening.models import CopyState, MatchPlan
from analysis.listening.segments import segment_key
from contests.hosting import running
from contests.hosting.refusals import HostingRefused
from contests.judging import panel
from contests.models import Contest, Entry, Round
from contests.screening import deciding
from contests.states import ContestState, EntryState, RoundState
from tests import cast
from tests.contests import stages
from tests.contests.stages import AFTER_THE_CLOSE, Stage

pytestmark = pytest.mark.django_db


def last_line(stage: Stage):
    return stage.contest.decisions.order_by("-number").first()


class TestOpenContest:
    def test_it_opens_a_draft_and_says_who_did(self):
        contest, host = cast.contest(state=ContestState.DRAFT), cast.host()
        running.open_contest(contest.pk, actor=host, now=cast.NOW)
        contest.refresh_from_db()
        assert contest.state == ContestState.OPEN
        line = contest.decisions.get()
        assert (line.action, line.actor, line.decided_at) == ("opened", host, cast.NOW)

    @pytest.mark.parametrize(
        ("lack", "words"),
        [
            (lambda contest: contest.criteria.all().delete(), "rubric has no criterion"),
            (
                lambda contest: (
                    type(contest.pack).objects.filter(pk=contest.pack_id).update(reference_mix=None)
                ),
                "no reference mix",
            ),
            (
                lambda contest: Contest.objects.filter(pk=contest.pk).update(announced_at=contest.closes_at),
                "dates do not follow",
            ),
        ],
    )
    def test_it_refuses_what_visitors_would_miss(self, lack, words):
        contest = cast.contest(state=ContestState.DRAFT)
        lack(contest)
        with pytest.raises(HostingRefused, match=words):
            running.open_contest(contest.pk, actor=cast.host(), now=cast.NOW)
        contest.refresh_from_db()
        assert contest.state == ContestState.DRAFT
        assert not contest.decisions.exists()

    def test_it_refuses_a_contest_that_is_open(self):
        contest = cast.contest()
        with pytest.raises(HostingRefused, match="cannot be open for entries now"):
            running.open_contest(contest.pk, actor=cast.host(), now=cast.NOW)

    def test_somebody_who_goes_ahead_wins(self, monkeypatch):
        """The row is read, then another process takes the arrow: the WHERE clause finds nothing."""
        contest = cast.contest(state=ContestState.DRAFT)
        stale = Contest.objects.get(pk=contest.pk)
        Contest.objects.filter(pk=contest.pk).update(state=ContestState.OPEN)
        monkeypatch.setattr(running, "_locked", lambda pk: stale)
        with pytest.raises(HostingRefused, match="somebody may have gone ahead"):
            running.open_contest(contest.pk, actor=cast.host(), now=cast.NOW)
        assert not contest.decisions.exists()


class TestCloseContest:
    def test_after_its_date_it_needs_no_reason_and_no_person(self):
        contest = cast.contest()
        running.close_contest(contest.pk, actor=None, now=contest.closes_at)
        closes_at = contest.closes_at
        contest.refresh_from_db()
        assert (contest.state, contest.closes_at) == (ContestState.CLOSED, closes_at)
        assert (contest.decisions.get().action, contest.decisions.get().actor) == ("closed", None)

    def test_closing_early_moves_the_date_and_keeps_the_announced_one(self):
        contest, announced = cast.contest(), cast.contest().closes_at
        running.close_contest(contest.pk, actor=cast.host(), now=cast.NOW, reason="The venue burned down.")
        contest.refresh_from_db()
        assert contest.closes_at == cast.NOW
        line = contest.decisions.get()
        assert (line.action, line.reason) == ("closed early", "The venue burned down.")
        assert line.details == {"announced": announced.isoformat()}

    @pytest.mark.parametrize("reason", ["", "  \n"])
    def test_closing_early_without_a_reason_is_refused(self, reason):
        contest = cast.contest()
        with pytest.raises(HostingRefused, match="Give the reason"):
            running.close_contest(contest.pk, actor=cast.host(), now=cast.NOW, reason=reason)
        contest.refresh_from_db()
        assert contest.accepts_entries(cast.NOW)

    def test_what_has_not_begun_is_not_closed(self):
        contest = cast.contest(opens_at=cast.NOW + timedelta(hours=1))
        with pytest.raises(HostingRefused, match="not begun"):
            running.close_contest(contest.pk, actor=cast.host(), now=cast.NOW, reason="No.")

    def test_closing_twice_is_refused(self):
        stage = stages.closed(entrants=[])
        with pytest.raises(HostingRefused, match="cannot be closed now"):
            running.close_contest(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)


class TestPrepareRound:
    def test_every_ready_entry_gets_a_copy_at_one_level_and_its_hearings(self):
        stage = stages.prepared()
        copies = list(stage.round.plan.copies.all())
        assert {copy.recording_id for copy in copies} == {one.recording_id for one in stage.entries}
        assert [copy.state for copy in copies] == [CopyState.READY] * 4
        # ITU-R BS.1770: a gain moves loudness by as many decibels; every copy is at the contest's -18 LUFS.
        assert [copy.copy_lufs for copy in copies] == pytest.approx([-18.0] * 4, abs=0.05)
        hearings = stage.round.assignments.all()
        assert len(hearings) == 4 * stage.contest.hearings_per_entry
        assert all(one.entry.member_id != one.judge.member_id for one in hearings)

    def test_the_log_says_with_what(self):
        stage = stages.prepared()
        line = stage.contest.decisions.get(action="round prepared")
        assert line.details["seed"] == stage.round.seed
        assert line.details["level_lufs"] == -18.0
        assert sorted(line.details["entries"]) == sorted(entry.receipt for entry in stage.entries)

    def test_only_ready_entries_are_heard(self):
        stage = stages.closed()
        deciding.disqualify_entry(
            stage.entries[0].pk, actor=stage.host, now=AFTER_THE_CLOSE, reason="Other stems."
        )
        running.prepare_round(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
        assert not stage.round.assignments.filter(entry=stage.entries[0]).exists()
        assert not stage.round.plan.copies.filter(recording=stage.entries[0].recording).exists()

    def refused(self, stage: Stage, words: str) -> None:
        before = stage.contest.decisions.count()
        with pytest.raises(HostingRefused, match=words):
            running.prepare_round(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
        assert not Round.objects.exists()
        assert stage.contest.decisions.count() == before

    def test_it_refuses_before_the_close(self):
        self.refused(stages.entered(), "after the close")

    def test_it_refuses_while_an_entry_is_being_checked(self):
        stage = stages.closed(entrants=["Ansa Merrow"])
        Entry.objects.update(state=EntryState.CHECKING)
        self.refused(stage, "1 entry is still being checked")

    def test_it_refuses_an_open_question_and_names_it(self):
        stage = stages.closed(entrants=["Ansa Merrow", "Bero Lund"])
        Entry.objects.filter(pk=stage.entries[1].pk).update(state=EntryState.ATTENTION)
        self.refused(stage, stage.entries[1].receipt)

    def test_it_refuses_when_nobody_entered(self):
        self.refused(stages.closed(entrants=[]), "No entry is ready")

    def test_it_refuses_an_empty_panel_and_leaves_nothing_behind(self):
        self.refused(stages.closed(judges=[]), "judge")

    def test_it_refuses_a_second_time(self):
        stage = stages.prepared(entrants=["Ansa Merrow", "Bero Lund"])
        with pytest.raises(HostingRefused, match="prepared already"):
            running.prepare_round(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)


class TestPrepareAgain:
    def test_it_lifts_the_level_when_the_entry_that_lowered_it_is_out(self):
        peaky = stages.music(9, level=0.001)
        peaky[48_000] = 0.9
        stage = stages.entered(entrants=["Ansa Merrow", "Bero Lund"])
        culprit = stages.entry(stage.contest, cast.member("Ilka Roe"), audio=peaky)
        running.close_contest(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
        running.prepare_round(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
        assert stage.round.plan.limiting == culprit.recording
        assert stage.round.plan.level_lufs < -18.5
        deciding.disqualify_entry(culprit.pk, actor=stage.host, now=AFTER_THE_CLOSE, reason="A click.")
        running.prepare_again(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
        assert stage.round.plan.level_lufs == -18.0
        assert {one.entry for one in stage.round.assignments.all()} == set(stage.entries)

    def test_it_takes_in_an_entry_that_came_back(self):
        stage = stages.closed()
        back = stage.entries[0]
        deciding.disqualify_entry(back.pk, actor=stage.host, now=AFTER_THE_CLOSE, reason="Other stems.")
        running.prepare_round(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
        deciding.accept_entry(back.pk, actor=stage.host, now=AFTER_THE_CLOSE, reason="I was wrong.")
        stages.run_all_jobs()
        with pytest.raises(HostingRefused, match=f"Nobody is to hear {back.receipt}"):
            running.open_judging(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
        running.prepare_again(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
        stages.run_all_jobs()
        running.open_judging(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
        assert stage.round.assignments.filter(entry=back).count() == stage.contest.hearings_per_entry

    def test_nothing_of_the_earlier_copies_stays(self, django_capture_on_commit_callbacks):
        stage = stages.closed(entrants=["Ansa Merrow", "Bero Lund"])
        running.prepare_round(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
        stages.run_all_jobs()
        keys = [segment_key(copy, 0) for copy in stage.round.plan.copies.all()]
        assert all(keeping.shelf().exists(key) for key in keys)
        earlier = stage.round.plan.pk
        with django_capture_on_commit_callbacks(execute=True):
            running.prepare_again(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
        assert not any(keeping.shelf().exists(key) for key in keys)
        assert not MatchPlan.objects.filter(pk=earlier).exists()
        stages.run_all_jobs()
        assert all(keeping.shelf().exists(segment_key(copy, 0)) for copy in stage.round.plan.copies.all())

    def test_it_refuses_once_the_judging_is_open(self):
        stage = stages.judging(entrants=["Ansa Merrow", "Bero Lund"])
        for service in (running.prepare_again, running.assign_again):
            with pytest.raises(HostingRefused, match="no round in preparation"):
                service(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)


class TestShowMap:
    def test_it_is_hidden_until_the_host_decides_and_the_log_says_so(self):
        stage = stages.closed(entrants=["Ansa Merrow", "Bero Lund"])
        running.prepare_round(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
        assert stage.round.plan.shows_map is False
        running.show_map(stage.contest.pk, True, actor=stage.host, now=AFTER_THE_CLOSE)
        assert stage.round.plan.shows_map is True
        assert (last_line(stage).action, last_line(stage).actor) == ("map shown to judges", stage.host)
        running.prepare_again(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
        assert stage.round.plan.shows_map is True

    def test_it_is_settled_once_the_judging_is_open(self):
        stage = stages.judging(entrants=["Ansa Merrow", "Bero Lund"])
        with pytest.raises(HostingRefused, match="no round in preparation"):
            running.show_map(stage.contest.pk, True, actor=stage.host, now=AFTER_THE_CLOSE)
        assert stage.round.plan.shows_map is False


class TestOpenJudging:
    def test_it_lets_the_judges_in(self):
        stage = stages.judging()
        assert stage.reread().state == ContestState.JUDGING
        assert stage.round.state == RoundState.JUDGING
        assert last_line(stage).action == "judging opened"

    def test_it_waits_for_every_copy(self):
        stage = stages.closed(entrants=["Ansa Merrow", "Bero Lund"])
        running.prepare_round(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
        with pytest.raises(HostingRefused, match="2 listening copies are still in the making"):
            running.open_judging(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)

    def test_a_refused_copy_is_named_by_its_receipt_until_its_entry_is_out(self):
        stage = stages.entered(entrants=["Ansa Merrow", "Bero Lund", "Ceri Vanterpool"])
        silent = stages.entry(stage.contest, cast.member("Ilka Roe"), audio=np.zeros((96_000, 2)))
        running.close_contest(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
        running.prepare_round(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
        stages.run_all_jobs()
        with pytest.raises(HostingRefused, match=f"{silent.receipt}: The recording is silent"):
            running.open_judging(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
        deciding.disqualify_entry(silent.pk, actor=stage.host, now=AFTER_THE_CLOSE, reason="Silent.")
        running.open_judging(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)

    def test_a_changed_panel_needs_the_hearings_anew(self):
        stage = stages.prepared()
        leaving = stage.judges[0]
        panel.remove_judge(leaving, actor=stage.host, now=AFTER_THE_CLOSE, reason="Ill.")
        with pytest.raises(HostingRefused, match="Nobody is to hear"):
            running.open_judging(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
        running.assign_again(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
        running.open_judging(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
        assert stage.round.assignments.count() == 8

    def test_it_refuses_without_a_round(self):
        stage = stages.closed(entrants=["Ansa Merrow"])
        with pytest.raises(HostingRefused, match="no round in preparation"):
            running.open_judging(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)


class TestCloseJudging:
    def test_with_every_sheet_in_it_needs_no_reason(self):
        stage = stages.judged()
        assert stage.round.state == RoundState.CLOSED
        assert last_line(stage).details == {"round": 1, "missing_sheets": 0}

    def test_with_sheets_missing_it_needs_one(self):
        stage = stages.judging()
        with pytest.raises(HostingRefused, match="8 score sheets are missing"):
            running.close_judging(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
        assert stage.round.state == RoundState.JUDGING
        running.close_judging(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE, reason="They gave up.")
        assert last_line(stage).reason == "They gave up."
        assert last_line(stage).details["missing_sheets"] == 8

    def test_sheets_about_disqualified_entries_are_not_missing(self):
        stage = stages.judging()
        for one in stage.entries:
            deciding.disqualify_entry(one.pk, actor=stage.host, now=AFTER_THE_CLOSE, reason="All wrong.")
        running.close_judging(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
        assert last_line(stage).details["missing_sheets"] == 0

    def test_it_refuses_twice(self):
        stage = stages.judged()
        with pytest.raises(HostingRefused, match="No round is open"):
            running.close_judging(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)


class TestOneTransaction:
    def test_no_step_stands_without_its_line(self, monkeypatch):
        """The log fails at the last moment: the step is undone with it."""
        stage = stages.judged(entrants=["Ansa Merrow", "Bero Lund"])

        def fail(*args, **kwargs):
            raise RuntimeError("no ink")

        monkeypatch.setattr("contests.decisions.record", fail)
        other = cast.contest(state=ContestState.DRAFT)
        with pytest.raises(RuntimeError):
            running.open_contest(other.pk, actor=stage.host, now=cast.NOW)
        with pytest.raises(RuntimeError):
            deciding.disqualify_entry(
                stage.entries[0].pk, actor=stage.host, now=AFTER_THE_CLOSE, reason="Wrong."
            )
        other.refresh_from_db()
        stage.entries[0].refresh_from_db()
        assert other.state == ContestState.DRAFT
        assert stage.entries[0].state == EntryState.READY
        assert not stage.entries[0].moves.exists()
