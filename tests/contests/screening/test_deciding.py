"""Decisions about single entries, each with its reason."""

from __future__ import annotations

import pytest

from contests.hosting.refusals import HostingRefused
from contests.models import Entry
from contests.screening import deciding
from contests.states import EntryState
from tests.contests import stages
from tests.contests.stages import AFTER_THE_CLOSE

pytestmark = pytest.mark.django_db


@pytest.fixture
def stage():
    return stages.closed(entrants=["Ansa Merrow", "Bero Lund"])


def put(entry: Entry, state: EntryState) -> Entry:
    Entry.objects.filter(pk=entry.pk).update(state=state)
    entry.refresh_from_db()
    return entry


class TestAcceptEntry:
    def test_it_takes_an_entry_that_needs_attention_and_keeps_the_reason_twice(self, stage):
        entry = put(stage.entries[0], EntryState.ATTENTION)
        deciding.accept_entry(entry.pk, actor=stage.host, now=AFTER_THE_CLOSE, reason="No advantage.")
        entry.refresh_from_db()
        assert entry.state == EntryState.READY
        move, line = entry.moves.get(), stage.contest.decisions.last()
        assert (move.actor, move.note) == (stage.host, "No advantage.")
        assert (line.action, line.reason) == ("entry accepted", "No advantage.")
        assert line.details == {"entry": entry.receipt}

    def test_it_takes_a_disqualification_back(self, stage):
        entry = put(stage.entries[0], EntryState.DISQUALIFIED)
        deciding.accept_entry(entry.pk, actor=stage.host, now=AFTER_THE_CLOSE, reason="I was wrong.")
        entry.refresh_from_db()
        assert entry.state == EntryState.READY

    def test_an_entry_that_the_closed_round_has_no_copy_of_stays_out(self):
        stage = stages.closed()
        entry = stage.entries[0]
        deciding.disqualify_entry(entry.pk, actor=stage.host, now=AFTER_THE_CLOSE, reason="Wrong.")
        stages.running.prepare_round(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
        stages.run_all_jobs()
        stages.running.open_judging(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
        stages.submit_all(stage.round, stages.plain_score)
        stages.running.close_judging(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
        with pytest.raises(HostingRefused, match="nobody could hear it"):
            deciding.accept_entry(entry.pk, actor=stage.host, now=AFTER_THE_CLOSE, reason="Back.")

    def test_an_entry_that_was_heard_can_come_back_while_judges_are_at_work(self):
        stage = stages.judging()
        entry = stage.entries[0]
        deciding.disqualify_entry(entry.pk, actor=stage.host, now=AFTER_THE_CLOSE, reason="Wrong.")
        deciding.accept_entry(entry.pk, actor=stage.host, now=AFTER_THE_CLOSE, reason="Not wrong.")
        entry.refresh_from_db()
        assert entry.state == EntryState.READY


class TestRefusals:
    @pytest.mark.parametrize("service", [deciding.accept_entry, deciding.disqualify_entry])
    @pytest.mark.parametrize("reason", ["", " \t"])
    def test_no_decision_without_a_reason(self, stage, service, reason):
        entry = put(stage.entries[0], EntryState.ATTENTION)
        with pytest.raises(HostingRefused, match="Give the reason"):
            service(entry.pk, actor=stage.host, now=AFTER_THE_CLOSE, reason=reason)
        entry.refresh_from_db()
        assert entry.state == EntryState.ATTENTION

    @pytest.mark.parametrize("state", ["checking", "withdrawn", "replaced", "set_aside", "ready"])
    def test_an_entry_is_accepted_from_attention_and_disqualified_only(self, stage, state):
        entry = put(stage.entries[0], EntryState(state))
        lines = stage.contest.decisions.count()
        # An entry that is being checked has an arrow to ready, but it is the meter's and not the host's.
        with pytest.raises(HostingRefused, match=f"The entry is {EntryState(state).label}"):
            deciding.accept_entry(entry.pk, actor=stage.host, now=AFTER_THE_CLOSE, reason="Why not.")
        entry.refresh_from_db()
        assert entry.state == state
        assert stage.contest.decisions.count() == lines

    def test_nothing_changes_once_the_result_is_decided(self):
        stage = stages.decided()
        with pytest.raises(HostingRefused, match="result is decided"):
            deciding.disqualify_entry(
                stage.entries[0].pk, actor=stage.host, now=AFTER_THE_CLOSE, reason="Late."
            )
