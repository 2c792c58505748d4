"""Submitting and withdrawing."""

from __future__ import annotations

from datetime import timedelta

import pytest
from django.db import IntegrityError, transaction
from django.test import Client

from academy.members.models import Member
from analysis.intake.models import Recording
from analysis.jobs.models import Job
from contests.entering.checking import CHECK_ENTRY
from contests.entering.submissions import EntryRefused, withdraw_entry
from contests.models import Contest, Entry
from contests.states import ContestState, EntryState
from tests import cast
from tests.clock import Clock
from tests.contests.entering.conftest import Send, check, form_of, kept_files

SECOND = timedelta(seconds=1)


class TestSubmitEntry:
    def test_it_writes_the_entry_its_receipt_and_its_job(
        self, send: Send, contest: Contest, entrant: Member, clock: Clock
    ) -> None:
        entry = send(note="The bass is mono.")
        assert (entry.contest, entry.member, entry.state) == (contest, entrant, "checking")
        assert entry.received_at == clock.now
        assert entry.rules_version == contest.rules_version
        assert entry.note_to_judges == "The bass is mono."
        assert entry.recording.owner == entrant
        assert Job.objects.filter(kind="check_entry", subject=str(entry.pk)).count() == 1
        assert [(move.new_state, move.actor) for move in entry.moves.all()] == [("checking", entrant)]

    def test_it_takes_an_upload_one_second_before_the_close(self, send: Send, contest: Contest) -> None:
        assert send(now=contest.closes_at - SECOND).pk

    @pytest.mark.parametrize("late_by", [timedelta(0), SECOND, timedelta(days=9)])
    def test_it_refuses_at_the_closing_second_and_after(
        self, send: Send, contest: Contest, late_by: timedelta
    ) -> None:
        before = kept_files()
        with pytest.raises(EntryRefused, match="not taking entries any more"):
            send(now=contest.closes_at + late_by)
        assert nothing_was_written()
        assert kept_files() == before

    def test_it_refuses_before_the_opening(self, send: Send, contest: Contest) -> None:
        with pytest.raises(EntryRefused, match="not taking entries yet"):
            send(now=contest.opens_at - SECOND)
        assert send(now=contest.opens_at).pk

    @pytest.mark.parametrize("state", [state for state in ContestState if state != ContestState.OPEN])
    def test_it_refuses_in_every_state_but_open(
        self, send: Send, contest: Contest, state: ContestState
    ) -> None:
        Contest.objects.filter(pk=contest.pk).update(state=state)
        with pytest.raises(EntryRefused, match="not taking entries"):
            send()
        assert nothing_was_written()

    def test_it_asks_for_the_tier(self, send: Send, contest: Contest, entrant: Member) -> None:
        contest.tier = cast.tier("full", 10)
        contest.save()
        with pytest.raises(EntryRefused, match="members of the tier “Full”"):
            send()
        assert nothing_was_written()
        assert send(member=cast.member("Cilo Varn", tier=contest.tier)).pk
        assert send(member=cast.member("Dorit Ashe", tier=cast.tier("more", 20))).pk

    def test_it_refuses_hosts(self, send: Send) -> None:
        with pytest.raises(EntryRefused, match="Hosts run"):
            send(member=cast.host())

    def test_it_refuses_rules_that_were_changed_meanwhile(self, send: Send, contest: Contest) -> None:
        contest.rules_version = 4
        contest.save()
        before = kept_files()
        with pytest.raises(EntryRefused, match="changed to version 4"):
            send(rules_version=3)
        assert nothing_was_written()
        assert kept_files() == before
        assert send(rules_version=4).rules_version == 4

    def test_it_refuses_kindly_while_one_is_being_checked(self, send: Send) -> None:
        first = send()
        before = kept_files()
        with pytest.raises(EntryRefused, match="being checked at this moment"):
            send()
        assert list(Entry.objects.all()) == [first]
        assert Recording.objects.filter(owner=first.member).count() == 1
        assert kept_files() == before

    def test_two_at_once_leave_one(self, send: Send, monkeypatch: pytest.MonkeyPatch) -> None:
        """As if both had looked before either wrote: the database's constraint decides."""
        first = send()
        monkeypatch.setattr("contests.entering.submissions.obstacle", lambda *_, **__: None)
        before = kept_files()
        with pytest.raises(EntryRefused, match="being checked at this moment"):
            send()
        assert list(Entry.objects.all()) == [first]
        assert Job.objects.filter(kind=CHECK_ENTRY).count() == 1
        assert kept_files() == before

    def test_it_lets_the_bytes_go_when_something_of_ours_fails(
        self, send: Send, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        def broken(*_: object) -> None:
            raise RuntimeError("the job table is gone")

        monkeypatch.setattr("contests.entering.submissions.requesting.request", broken)
        before = kept_files()
        with pytest.raises(RuntimeError):
            send()
        assert nothing_was_written()
        assert kept_files() == before

    def test_it_does_not_take_a_second_entry_of_a_disqualified_entrant(self, send: Send) -> None:
        entry = send()
        check(entry)
        entry.move_to(EntryState.DISQUALIFIED)
        with pytest.raises(EntryRefused, match="disqualified"):
            send()

    def test_it_rings_only_after_the_commit(
        self, send: Send, monkeypatch: pytest.MonkeyPatch, django_capture_on_commit_callbacks: object
    ) -> None:
        rung: list[int] = []
        monkeypatch.setattr("analysis.jobs.doorbell.ring", rung.append)
        with django_capture_on_commit_callbacks(execute=True):  # type: ignore[operator]
            send()
            assert rung == []
        assert rung == list(Job.objects.order_by("pk").values_list("pk", flat=True))


class TestStatements:
    def test_each_is_ticked_or_nothing_is_entered(self, browser: Client, contest: Contest) -> None:
        contest.eligibility = "I mixed this myself.\n\nI am of age where I live.\n"
        contest.save()
        page = browser.get(f"/contests/{contest.slug}/enter/").content.decode()
        assert page.index("I mixed this myself.") < page.index("I am of age where I live.")
        lacking = form_of(contest, statement_0="on")
        response = browser.post(f"/contests/{contest.slug}/enter/", lacking)
        assert response.status_code == 422
        assert "Every entrant states this" in response.content.decode()
        assert not Entry.objects.exists()
        whole = form_of(contest, statement_0="on", statement_1="on")
        assert browser.post(f"/contests/{contest.slug}/enter/", whole).status_code == 302
        assert Entry.objects.count() == 1


class TestWithdrawEntry:
    def test_it_takes_out_a_ready_entry_and_keeps_its_file(self, send: Send, clock: Clock) -> None:
        entry = send()
        check(entry)
        before = kept_files()
        withdraw_entry(entry=entry, now=clock.now)
        entry.refresh_from_db()
        assert entry.state == "withdrawn"
        assert [move.new_state for move in entry.moves.all()] == ["checking", "ready", "withdrawn"]
        assert kept_files() == before

    def test_it_makes_room_for_another_upload_while_one_is_checked(self, send: Send, clock: Clock) -> None:
        entry = send()
        withdraw_entry(entry=entry, now=clock.now)
        again = send()
        check(entry)
        check(again)
        assert (entry.state, again.state) == ("withdrawn", "ready")

    def test_withdrawing_a_replacement_leaves_the_earlier_one(self, send: Send, clock: Clock) -> None:
        first = send()
        check(first)
        second = send()
        withdraw_entry(entry=second, now=clock.now)
        first.refresh_from_db()
        assert first.state == "ready"

    def test_it_refuses_once_entries_have_closed(self, send: Send, contest: Contest) -> None:
        entry = send()
        check(entry)
        with pytest.raises(EntryRefused, match="frozen"):
            withdraw_entry(entry=entry, now=contest.closes_at)
        entry.refresh_from_db()
        assert entry.state == "ready"
        withdraw_entry(entry=entry, now=contest.closes_at - SECOND)

    def test_it_refuses_what_no_longer_stands(self, send: Send, clock: Clock) -> None:
        entry = send()
        withdraw_entry(entry=entry, now=clock.now)
        with pytest.raises(EntryRefused, match="is withdrawn"):
            withdraw_entry(entry=entry, now=clock.now)


def test_the_database_itself_knows_the_rule(send: Send) -> None:
    entry = send()
    with pytest.raises(IntegrityError), transaction.atomic():
        Entry.objects.create(
            contest=entry.contest,
            member=entry.member,
            recording=entry.recording,
            receipt="another",
            received_at=entry.received_at,
            rules_version=1,
        )


def nothing_was_written() -> bool:
    """Whether no entry, no job and no recording of an entrant came of it."""
    return (
        not Entry.objects.exists()
        and not Job.objects.exists()
        and not Recording.objects.filter(owner__isnull=False)
    )
