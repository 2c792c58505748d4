"""The host prepares and counts; odd ballots are set aside before anybody sees what they would change."""

from __future__ import annotations

from datetime import timedelta

import pytest

from analysis.listening.models import CopyState, MatchPlan
from contests import decisions
from contests.hosting import running as desk
from contests.hosting.refusals import HostingRefused
from contests.models import Decision, VoteField
from contests.results import publishing
from contests.results.publishing import ResultRefused
from contests.results.standings import fingerprint
from contests.states import ContestState, EntryState, VoteState
from contests.voting import running
from contests.voting.doubts import doubts_of
from contests.voting.field import entries_of_vote
from tests import cast
from tests.contests import stages
from tests.contests.stages import AFTER_THE_CLOSE
from tests.contests.voting import staging
from tests.contests.voting.staging import ENDS, OPENS, WHILE_OPEN

pytestmark = pytest.mark.django_db


def prepare(stage, *, now=AFTER_THE_CLOSE):
    return running.prepare_vote(stage.contest.pk, actor=stage.host, now=now)


def count(stage, *, now=ENDS):
    return running.count_vote(stage.contest.pk, actor=stage.host, now=now)


def set_aside(stage, codes, *, aside=True, reason="Made by one hand.", now=ENDS):
    return running.set_ballots_aside(
        stage.contest.pk, codes, aside=aside, actor=stage.host, now=now, reason=reason
    )


class TestPreparing:
    def test_copies_of_its_own_are_made_and_it_is_on_record(self):
        stage, vote = staging.prepared()
        assert (vote.state, vote.owns_plan) == (VoteState.PREPARED, True)
        assert {copy.state for copy in vote.plan.copies.all()} == {CopyState.READY}
        assert set(entries_of_vote(vote)) == set(stage.entries)
        line = stage.contest.decisions.get(action="public vote prepared")
        assert line.details["entries"] == sorted(entry.receipt for entry in stage.entries)
        assert line.actor == stage.host

    def test_a_round_that_has_opened_lends_its_copies(self):
        stage = stages.judging(entrants=staging.ENTRANTS)
        staging.laid_out(stage)
        plans = MatchPlan.objects.count()
        vote = prepare(stage)
        assert (vote.plan, vote.owns_plan) == (stage.round.plan, False)
        assert MatchPlan.objects.count() == plans

    def test_a_round_in_preparation_lends_nothing_since_its_plan_may_go(self):
        stage = stages.prepared(entrants=staging.ENTRANTS)
        staging.laid_out(stage)
        assert prepare(stage).plan != stage.round.plan
        desk.prepare_again(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)

    def test_the_last_rounds_mixes_need_a_round_that_has_opened(self):
        stage = stages.prepared(entrants=staging.ENTRANTS)
        staging.laid_out(stage, field=VoteField.LAST_ROUND)
        with pytest.raises(HostingRefused, match="no round has opened yet"):
            prepare(stage)
        desk.open_judging(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
        assert prepare(stage).plan == stage.round.plan

    def test_again_makes_anew_and_clears_what_was(self):
        stage, vote = staging.prepared()
        earlier = vote.plan_id
        stages.screening_line(stage)
        again = prepare(stage)
        assert again.plan_id != earlier
        assert not MatchPlan.objects.filter(pk=earlier).exists()
        assert set(entries_of_vote(again)) == set(stage.entries[1:])

    def test_once_somebody_has_a_ballot_the_field_stays(self):
        stage, vote = staging.without_sound()
        staging.drawn(vote, staging.voter())
        with pytest.raises(HostingRefused, match="Ballots were given out"):
            prepare(stage, now=WHILE_OPEN)

    @pytest.mark.parametrize(
        ("fields", "sentence"),
        [
            ({"packet_size": 7}, "needs a field of 8"),
            ({"least_heard_s": 3}, "the copies last 1 s|the copies last 2 s"),
            ({"opens_at": cast.NOW}, "do not lie between the close of entries and the result"),
            ({"closes_at": cast.NOW + timedelta(days=11)}, "do not lie between"),
        ],
    )
    def test_what_cannot_be_held_is_refused_in_words(self, fields, sentence):
        stage = stages.closed(entrants=staging.ENTRANTS)
        staging.laid_out(stage, **fields)
        with pytest.raises(HostingRefused, match=sentence):
            prepare(stage)
        stage.contest.vote.refresh_from_db()
        assert (stage.contest.vote.state, stage.contest.vote.plan) == (VoteState.LAID_OUT, None)

    @pytest.mark.parametrize("state", [ContestState.OPEN, ContestState.PUBLISHED])
    def test_only_between_close_and_result(self, state):
        stage, _ = staging.without_sound()
        type(stage.contest).objects.update(state=state)
        with pytest.raises(HostingRefused, match="after the close of entries and before the result"):
            prepare(stage)

    def test_nobody_is_left_out_by_accident(self):
        stage, _ = staging.without_sound()
        stage.contest.entries.filter(pk=stage.entries[0].pk).update(state=EntryState.ATTENTION)
        with pytest.raises(HostingRefused, match="not decided about yet: 1"):
            prepare(stage)

    def test_without_one_laid_out_there_is_none(self):
        stage = stages.Stage(cast.contest(), cast.host())
        with pytest.raises(HostingRefused, match="Lay it out on its sheet"):
            prepare(stage)


class TestEnding:
    def end(self, stage, *, now=WHILE_OPEN, reason="The site moves tonight."):
        return running.end_vote(stage.contest.pk, actor=stage.host, now=now, reason=reason)

    def test_before_its_hour_it_takes_a_reason_and_is_on_record(self):
        stage, _vote = staging.without_sound()
        with pytest.raises(HostingRefused, match="takes time from voters"):
            self.end(stage, reason=" ")
        assert self.end(stage).closes_at == WHILE_OPEN
        line = stage.contest.decisions.get(action="public vote ended early")
        assert (line.reason, line.details) == ("The site moves tonight.", {"announced": ENDS.isoformat()})
        assert count(stage, now=WHILE_OPEN).state == VoteState.COUNTED

    @pytest.mark.parametrize("now", [OPENS - timedelta(seconds=1), OPENS, ENDS])
    def test_what_is_not_open_cannot_be_ended(self, now):
        stage, _ = staging.without_sound()
        with pytest.raises(HostingRefused, match="nothing to end"):
            self.end(stage, now=now)


class TestCounting:
    def test_voters_who_agree_are_heard(self):
        stage, vote = staging.without_sound()
        staging.cast_ballots(vote, 14)
        counted = count(stage)
        places = {row["entry"]: row["place"] for row in counted.working["entries"]}
        assert places == {str(entry.pk): n for n, entry in enumerate(stage.entries, start=1)}
        assert counted.working["ballots"] == 14
        line = stage.contest.decisions.get(action="public vote counted")
        assert line.details == {
            "ballots": 14,
            "set_aside": 0,
            "not_submitted": 0,
            "tally_sha256": fingerprint(counted.working),
        }
        assert decisions.first_broken_line(stage.contest) is None
        assert not vote.ballots.exclude(network_mark="").exists()

    def test_before_the_end_nobody_counts_or_sets_aside(self):
        stage, vote = staging.without_sound()
        (ballot,) = staging.cast_ballots(vote, 1)
        early = ENDS - timedelta(seconds=1)
        with pytest.raises(HostingRefused, match="before that nobody sees"):
            count(stage, now=early)
        with pytest.raises(HostingRefused, match="before that nobody sees"):
            set_aside(stage, [ballot.code], now=early)

    def test_once_is_all(self):
        stage, vote = staging.without_sound()
        (ballot,) = staging.cast_ballots(vote, 1)
        count(stage)
        for again in (lambda: count(stage), lambda: set_aside(stage, [ballot.code])):
            with pytest.raises(HostingRefused, match="The vote is counted"):
                again()

    def test_ballots_that_were_not_submitted_do_not_count(self):
        stage, vote = staging.without_sound()
        staging.cast_ballots(vote, 2)
        begun = staging.drawn(vote, staging.voter("Slow Brill"))
        staging.place_all(begun)
        assert count(stage).working["ballots"] == 2
        assert Decision.objects.get(action="public vote counted").details["not_submitted"] == 1

    def test_ballots_set_aside_do_not_count_and_may_come_back(self):
        stage, vote = staging.without_sound()
        one, other, _ = staging.cast_ballots(vote, 3)
        assert set_aside(stage, [one.code, other.code]) == 2
        assert set_aside(stage, [other.code], aside=False, reason="A family, it turned out.") == 1
        assert count(stage).working["ballots"] == 2
        lines = stage.contest.decisions.filter(action__in=[running.SET_ASIDE, running.TAKEN_BACK])
        assert [line.details["ballots"] for line in lines.order_by("number")] == [
            sorted([one.code, other.code]),
            [other.code],
        ]

    def test_setting_aside_needs_a_reason_and_ballots_that_there_are(self):
        stage, vote = staging.without_sound()
        (ballot,) = staging.cast_ballots(vote, 1)
        begun = staging.drawn(vote, staging.voter("Slow Brill"))
        for codes, reason, sentence in [
            ([ballot.code], " ", "Give the reason"),
            ([], "Because.", "Choose at least one"),
            ([ballot.code, "nothing"], "Because.", "No submitted ballot is called nothing"),
            ([begun.code], "Because.", "No submitted ballot is called"),
        ]:
            with pytest.raises(HostingRefused, match=sentence):
                set_aside(stage, codes, reason=reason)
        assert not vote.ballots.filter(is_set_aside=True).exists()

    def test_an_entry_taken_out_leaves_every_ballot(self):
        stage, vote = staging.without_sound()
        staging.cast_ballots(vote, 7)
        stage.contest.entries.filter(pk=stage.entries[0].pk).update(state=EntryState.DISQUALIFIED)
        rows = count(stage).working["entries"]
        assert [row["entry"] for row in rows] == [str(entry.pk) for entry in stage.entries[1:]]
        assert rows[0]["mean_rank"] == 1.0


class TestDoubts:
    def titles(self, vote):
        return {doubt.title: {one for group in doubt.groups for one in group} for doubt in doubts_of(vote)}

    def test_quiet_votes_raise_none(self):
        _, vote = staging.without_sound()
        staging.submit(staging.drawn(vote, staging.voter("One Brill")))
        staging.submit(staging.drawn(vote, staging.voter("Two Brill")), key=lambda line: -line.position)
        assert self.titles(vote) == {}

    def test_each_kind_is_named_with_its_ballots(self):
        _, vote = staging.without_sound()
        same = staging.cast_ballots(vote, 12, network="198.51.100.1")
        soon = vote.contest.opens_at - timedelta(days=7)
        young = staging.submit(
            staging.drawn(vote, staging.voter("New Brill", joined_at=soon)), key=lambda line: -line.position
        )
        older = staging.voter("Older Brill", joined_at=soon - timedelta(seconds=1))
        staging.submit(staging.drawn(vote, older), key=lambda line: -line.position)
        titles = self.titles(vote)
        assert titles["Young accounts"] == {young.code}
        assert titles["One network"] == {ballot.code for ballot in same}
        assert titles["Many within an hour"] == set(vote.ballots.values_list("code", flat=True))
        assert "The same order" in titles  # 21 packets are possible, and these voters agree


class TestPublishing:
    def publish(self, stage):
        return publishing.publish_result(stage.contest.pk, actor=stage.host, now=ENDS)

    def test_names_do_not_come_out_before_the_count(self):
        stage = stages.decided(entrants=staging.ENTRANTS)
        staging.laid_out(stage)
        with pytest.raises(ResultRefused, match="announced and was not held"):
            self.publish(stage)
        prepare(stage)
        with pytest.raises(ResultRefused, match="is not counted yet"):
            self.publish(stage)
        assert stage.reread().state == ContestState.DECIDED
        count(stage)
        self.publish(stage)
        assert stage.reread().state == ContestState.PUBLISHED
