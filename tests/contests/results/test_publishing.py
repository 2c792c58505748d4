"""Decide and publish: what is frozen, what is refused, what is recorded."""

from __future__ import annotations

import hashlib
import json

import pytest

from contests import decisions
from contests.models import Contest, Result, ScoreSheet
from contests.models import Standing as FrozenStanding
from contests.results import publishing, standings
from contests.results.publishing import ResultRefused
from contests.screening import deciding
from contests.states import ContestState
from tests import cast
from tests.contests import stages
from tests.contests.results.test_standings import BY_HAND, CATALYST
from tests.contests.stages import AFTER_THE_CLOSE

pytestmark = pytest.mark.django_db


def decide(stage, **wishes):
    return publishing.decide_result(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE, **wishes)


class TestDecideResult:
    def test_it_takes_the_computed_places_and_freezes_the_working(self):
        stage, entries = stages.judged_by_table(CATALYST)
        decide(stage)
        places = {result.entry_id: result.place for result in stage.contest.results.all()}
        # Montgomery's adjusted means, see test_standings: 75, 72, 71.625, 71.375.
        assert places == {entries[name].pk: place for place, name in enumerate(["E4", "E3", "E2", "E1"], 1)}
        assert stage.reread().state == ContestState.DECIDED
        assert len({result.code for result in Result.objects.all()}) == 4

    def test_what_is_frozen_does_not_follow_the_sheets(self):
        stage, entries = stages.judged_by_table(CATALYST)
        decide(stage)
        ScoreSheet.objects.filter(assignment__entry=entries["E4"]).first().scores.update(value=1)
        frozen = FrozenStanding.objects.get(contest=stage.contest).working
        assert frozen["entries"][0]["adjusted"] == pytest.approx(75.0)
        assert standings.standing_of(stage.contest).entries[0].adjusted != pytest.approx(75.0)

    def test_the_log_holds_the_places_and_the_frozen_standings_hash(self):
        stage, entries = stages.judged_by_table(BY_HAND)
        decide(stage)
        line = stage.contest.decisions.last()
        assert (line.action, line.actor) == ("result decided", stage.host)
        receipts = {name: entry.receipt for name, entry in entries.items()}
        assert line.details["places"] == {receipts["A"]: 1, receipts["C"]: 2, receipts["B"]: 3}
        assert line.details["departs_from_standing"] is False
        text = json.dumps(
            FrozenStanding.objects.get().working, sort_keys=True, separators=(",", ":"), ensure_ascii=False
        )
        assert line.details["standing_sha256"] == hashlib.sha256(text.encode()).hexdigest()
        assert decisions.first_broken_line(stage.contest) is None

    def test_departing_needs_a_reason(self):
        stage, entries = stages.judged_by_table(BY_HAND)
        places = {entries["B"].pk: 1, entries["A"].pk: 2, entries["C"].pk: 3}
        with pytest.raises(ResultRefused, match="depart from the standing"):
            decide(stage, places=places)
        assert not Result.objects.exists()
        assert not FrozenStanding.objects.exists()
        decide(stage, places=places, reason="Heard again by all judges.")
        line = stage.contest.decisions.last()
        assert line.details["departs_from_standing"] is True
        assert line.reason == "Heard again by all judges."
        assert stage.contest.results.get(entry=entries["B"]).place == 1

    def test_the_computed_places_typed_in_are_no_departure(self):
        stage, entries = stages.judged_by_table(BY_HAND)
        decide(stage, places={entries["A"].pk: 1, entries["C"].pk: 2, entries["B"].pk: 3})
        assert stage.contest.decisions.last().details["departs_from_standing"] is False

    @pytest.mark.parametrize(
        ("given", "words"),
        [
            ({"A": 1, "B": 2}, "Every entry that stands needs a place"),
            ({"A": 1, "B": 2, "C": 4}, "so it is place 3"),
            ({"A": 2, "B": 3, "C": 4}, "so it is place 1"),
            ({"A": 1, "B": 1, "C": 2}, "so it is place 3"),
            ({"A": 0, "B": 1, "C": 2}, "so it is place 1"),
        ],
    )
    def test_places_that_do_not_follow_are_refused(self, given, words):
        stage, entries = stages.judged_by_table(BY_HAND)
        with pytest.raises(ResultRefused, match=words):
            decide(stage, places={entries[name].pk: place for name, place in given.items()}, reason="So.")

    def test_another_contests_entry_gets_no_place(self):
        stage, entries = stages.judged_by_table(BY_HAND)
        _, strangers = stages.judged_by_table(BY_HAND)
        places = {entries["A"].pk: 1, entries["B"].pk: 2, strangers["C"].pk: 3}
        with pytest.raises(ResultRefused, match="and no other"):
            decide(stage, places=places, reason="So.")

    def test_disconnected_panels_are_left_to_the_host_and_a_reason(self):
        stage, entries = stages.judged_by_table({"J1": {"A": 8, "B": 6}, "J2": {"C": 5, "D": 4}})
        with pytest.raises(ResultRefused, match="2 groups without a common entry"):
            decide(stage)
        decide(
            stage,
            places={entries[name].pk: place for place, name in enumerate("ACBD", 1)},
            reason="Both heads listened again together.",
        )
        assert stage.reread().state == ContestState.DECIDED

    def test_an_entry_that_nobody_scored_hinders_the_computed_result(self):
        stage = stages.judging(entrants=["Ansa Merrow", "Bero Lund"])
        for hearing in stage.round.assignments.filter(entry=stage.entries[0]):
            stages.submit(hearing, {line.pk: 5 for line in stage.contest.criteria.all()})
        stages.running.close_judging(
            stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE, reason="Time is up."
        )
        with pytest.raises(ResultRefused, match=stage.entries[1].receipt):
            decide(stage)
        deciding.disqualify_entry(
            stage.entries[1].pk, actor=stage.host, now=AFTER_THE_CLOSE, reason="Nobody came."
        )
        decide(stage)

    def test_it_refuses_before_the_judging_is_closed(self):
        for stage in (stages.entered(entrants=["Ansa Merrow"]), stages.judging()):
            with pytest.raises(ResultRefused, match="Close it first"):
                decide(stage)

    def test_it_refuses_without_a_single_sheet(self):
        stage = stages.judging(entrants=["Ansa Merrow", "Bero Lund"])
        stages.running.close_judging(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE, reason="Ill.")
        with pytest.raises(ResultRefused, match="No score sheet was submitted"):
            decide(stage)

    def test_it_is_decided_once(self):
        stage, _ = stages.judged_by_table(BY_HAND)
        decide(stage)
        with pytest.raises(ResultRefused, match="decided already"):
            decide(stage)
        assert stage.contest.results.count() == 3


class TestPublishResult:
    def test_publishing_twice_is_harmless(self):
        stage, _ = stages.judged_by_table(BY_HAND)
        decide(stage)
        for _ in range(2):
            publishing.publish_result(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
        assert stage.reread().state == ContestState.PUBLISHED
        assert stage.contest.decisions.filter(action="result published").count() == 1

    def test_what_is_not_decided_is_not_published(self):
        stage, _ = stages.judged_by_table(BY_HAND)
        with pytest.raises(ResultRefused, match="Decide the result first"):
            publishing.publish_result(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)

    def test_somebody_who_goes_ahead_wins(self, monkeypatch):
        """Another process takes the arrow between reading and writing: refused, and nothing is recorded."""
        stage, _ = stages.judged_by_table(BY_HAND)
        decide(stage)
        move_to = Contest.move_to

        def overtaken(self, new_state):
            Contest.objects.filter(pk=self.pk).update(state=ContestState.PUBLISHED)
            move_to(self, new_state)

        monkeypatch.setattr(Contest, "move_to", overtaken)
        lines = stage.contest.decisions.count()
        with pytest.raises(ResultRefused, match="somebody may have gone ahead"):
            publishing.publish_result(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
        assert stage.contest.decisions.count() == lines

    def test_neither_step_stands_without_its_line(self, monkeypatch):
        stage, _ = stages.judged_by_table(BY_HAND)

        def fail(*args, **kwargs):
            raise RuntimeError("no ink")

        monkeypatch.setattr("contests.decisions.record", fail)
        with pytest.raises(RuntimeError):
            decide(stage)
        assert stage.reread().state == ContestState.JUDGING
        assert not Result.objects.exists()
        assert not FrozenStanding.objects.exists()


def test_a_stranger_to_the_contest_may_be_any_host():
    """Every host runs every contest; the log says which one decided."""
    stage, _ = stages.judged_by_table(BY_HAND)
    other = cast.host("Ludo Pell")
    publishing.decide_result(stage.contest.pk, actor=other, now=AFTER_THE_CLOSE)
    assert stage.contest.decisions.last().actor == other
