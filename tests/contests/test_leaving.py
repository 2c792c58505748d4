"""What becomes of entries and of a seat when a member leaves, and what they may take along."""

from __future__ import annotations

from datetime import timedelta

import pytest

from academy.letters.models import Letter
from academy.members import leaving, own_data
from academy.members.leaving import LeavingRefused
from academy.members.models import Member
from contests import decisions
from contests.judging.assigning import assign_round
from contests.judging.filling_up import hear_again
from contests.models import Assignment, Contest, Decision, Entry, Round
from contests.prizes import departing
from contests.states import ContestState, EntryState, RoundState
from tests import cast
from tests.contests.judging import quiet_rounds

pytestmark = pytest.mark.django_db

AFTER = cast.NOW + timedelta(days=2)


def entry_of(member, contest, state=EntryState.READY):
    """An entry as it stands."""
    return Entry.objects.create(
        contest=contest,
        member=member,
        recording=cast.recording(owner=member, original_name="zoe-final.wav"),
        state=state,
        note_to_judges="I am Zoë.",
        receipt=f"R-{Entry.objects.count()}",
        received_at=cast.NOW,
        rules_version=1,
    )


def leave(member, answers=None, *, now=cast.NOW):
    """Leave the site."""
    leaving.leave(member, answers or {}, now=now)
    return Member.objects.get(pk=member.pk)


class TestEntries:
    def test_an_entry_before_the_close_is_withdrawn(self):
        member = cast.member()
        entry = entry_of(member, cast.contest())
        lost = [line for one in leaving.partings_of(member, now=cast.NOW) for line in one.lost]
        assert any("it is withdrawn" in line for line in lost)
        left = leave(member)
        entry.refresh_from_db()
        assert (entry.state, entry.member) == (EntryState.WITHDRAWN, left)
        assert left.name.startswith("Former member")

    @pytest.mark.parametrize("state", [ContestState.CLOSED, ContestState.JUDGING])
    @pytest.mark.parametrize(("answer", "becomes"), [("stay", "ready"), ("withdraw", "withdrawn")])
    def test_past_the_close_the_member_decides(self, state, answer, becomes):
        member, contest = cast.member(), cast.contest(state=state)
        entry = entry_of(member, contest)
        with pytest.raises(LeavingRefused, match="Choose first"):
            leave(member, now=AFTER)
        leave(member, {f"entry-{entry.pk}": answer}, now=AFTER)
        entry.refresh_from_db()
        assert entry.state == becomes
        logged = Decision.objects.filter(contest=contest)
        assert [line.action for line in logged] == (["entry withdrawn"] if becomes == "withdrawn" else [])
        assert decisions.first_broken_line(contest) is None
        assert all(member.name not in f"{line.reason}{line.details}" for line in logged)

    def test_nothing_is_taken_out_of_a_result_that_was_decided_meanwhile(self, monkeypatch):
        member, contest = cast.member(), cast.contest(state=ContestState.JUDGING)
        entry = entry_of(member, contest)
        let_go = departing.let_go

        def decided_meanwhile(*args, **said):
            Contest.objects.update(state=ContestState.DECIDED)
            let_go(*args, **said)

        monkeypatch.setattr(departing, "let_go", decided_meanwhile)
        with pytest.raises(LeavingRefused, match="decided about at this very moment"):
            leave(member, {f"entry-{entry.pk}": "withdraw"}, now=AFTER)
        entry.refresh_from_db()
        assert entry.state == EntryState.READY

    def test_a_decided_place_stays_without_the_name(self):
        member, contest = cast.member("Zoë Merrow"), cast.contest(state=ContestState.PUBLISHED)
        entry = entry_of(member, contest)
        kept = [line for one in leaving.partings_of(member, now=AFTER) for line in one.kept]
        assert any("its place in the result, without your name" in line for line in kept)
        leave(member, now=AFTER)
        entry.refresh_from_db()
        assert entry.state == EntryState.READY
        assert "Zoë" not in entry.member.name

    def test_what_names_the_person_goes_from_the_entry(self):
        member = cast.member()
        entry = entry_of(member, cast.contest())
        leave(member)
        entry.refresh_from_db()
        assert (entry.note_to_judges, entry.recording.original_name) == ("", entry.receipt)

    def test_whoever_never_entered_leaves_nothing(self):
        member = cast.member()
        leaving.leave(member, {}, now=cast.NOW)
        assert not Member.objects.filter(pk=member.pk).exists()


class TestJudges:
    def test_who_has_mixes_to_score_is_asked_to_do_so_first(self):
        contest = cast.contest(state=ContestState.JUDGING)
        seat = cast.judge(contest)
        round_ = Round.objects.create(contest=contest, state=RoundState.JUDGING, hearings_per_entry=1, seed=1)
        hearing = Assignment.objects.create(
            round=round_, judge=seat, entry=entry_of(cast.member(), contest), position=1, label="A", code="c"
        )
        with pytest.raises(LeavingRefused, match="One mix waits to be scored by you"):
            leave(seat.member, now=AFTER)
        hearing.state = "submitted"
        hearing.save()
        assert leave(seat.member, now=AFTER).name.startswith("Former member")

    def test_a_sheet_that_was_missing_at_the_close_keeps_nobody_here(self):
        """Nothing can be scored or left in a closed round; should it open again, another may hear the mix."""
        contest = cast.contest(state=ContestState.JUDGING)
        seat = cast.judge(contest)
        round_ = Round.objects.create(contest=contest, state=RoundState.CLOSED, hearings_per_entry=1, seed=1)
        hearing = Assignment.objects.create(
            round=round_, judge=seat, entry=entry_of(cast.member(), contest), position=0, label="A", code="c"
        )
        leave(seat.member, now=AFTER)
        hearing.refresh_from_db()
        assert hearing.state == "stood_aside"

    def test_who_left_the_site_is_given_nothing_more_to_hear(self):
        """The sheets that are in stay; the seat is left, so that nobody waits for an account that is gone."""
        stage = quiet_rounds.by_name()
        round_ = quiet_rounds.opened(stage, 3, repeats=0)
        gone, *others = stage.judges
        round_.assignments.filter(judge=gone).update(state="submitted")
        lost = [line for one in leaving.partings_of(gone.member, now=AFTER) for line in one.lost]
        assert f"Your seat on the panel of “{stage.contest}”." in lost
        leave(gone.member, now=AFTER)
        gone.refresh_from_db()
        assert gone.has_left
        line = stage.contest.decisions.last()
        assert (line.action, line.actor, line.details) == ("judge dropped out", None, {"judge": gone.pk})
        before = round_.assignments.filter(judge=gone).count()
        receipts = [entry.receipt for entry in stage.entries]
        hear_again(round_, receipts, actor=stage.host, now=AFTER, reason="At the line.")
        assert round_.assignments.filter(judge=gone).count() == before
        assert {line.address for line in Letter.objects.all() if line.kind == "further-hearings"} <= {
            other.member.email for other in others
        }

    def test_a_round_that_is_being_prepared_is_given_out_anew_for_the_others(self):
        stage = quiet_rounds.by_name()
        round_ = quiet_rounds.prepared(stage, 3)
        gone = stage.judges[0]
        leave(gone.member, now=AFTER)
        assert not round_.assignments.exists()
        assign_round(round_, AFTER)
        heard_by = set(round_.assignments.values_list("judge", flat=True))
        assert heard_by == {judge.pk for judge in stage.judges[1:]}

    def test_a_seat_of_a_contest_that_is_decided_stays_as_it_was(self):
        seat = cast.judge(cast.contest(state=ContestState.DECIDED))
        leave(seat.member, now=AFTER)
        seat.refresh_from_db()
        assert not seat.has_left

    def test_a_hearing_that_comes_at_this_moment_is_seen(self, monkeypatch):
        stage = quiet_rounds.by_name()
        round_ = quiet_rounds.opened(stage, 3, repeats=0)
        gone = stage.judges[0]
        own = round_.assignments.filter(judge=gone)
        own.update(state="submitted")
        let_go = departing.let_go

        def given_meanwhile(*args, **said):
            own.filter(position=0).update(state="waiting")
            let_go(*args, **said)

        monkeypatch.setattr(departing, "let_go", given_meanwhile)
        with pytest.raises(LeavingRefused, match="One mix waits to be scored by you"):
            leave(gone.member, now=AFTER)
        gone.refresh_from_db()
        assert not gone.has_left

    def test_an_account_that_is_shut_is_not_asked_to_hear(self):
        stage = quiet_rounds.by_name()
        shut = stage.judges[0]
        Member.objects.filter(pk=shut.member_id).update(is_active=False)
        round_ = quiet_rounds.opened(stage, 3, repeats=0)
        hear_again(round_, [stage.entries[0].receipt], actor=stage.host, now=AFTER, reason="At the line.")
        assert not round_.assignments.filter(judge=shut).exists()


class TestOwnData:
    def test_entries_come_with_receipt_and_history(self):
        member = cast.member()
        entry = entry_of(member, cast.contest(title="Autumn"))
        entry.moves.create(old_state="", new_state="checking", actor=member)
        (part,) = [one for one in own_data.parts_of(member) if one.name == "contests"]
        (said,) = part.holds["entries"]
        assert (said["contest"], said["receipt"]) == ("Autumn", entry.receipt)
        assert said["file"]["sha256"] == entry.recording.sha256
        assert said["file"]["address"].startswith("http://127.0.0.1:8000/contests/entries/")
        assert len(said["history"]) == 1

    def test_whoever_never_entered_has_no_such_part(self):
        assert "contests" not in [part.name for part in own_data.parts_of(cast.member())]
