"""What stays of a vote: in the export and its recount, in what a member takes along, and after leaving."""

from __future__ import annotations

import json

import pytest

from academy.members import leaving, own_data
from contests.models import Ballot
from contests.results import publishing
from contests.results.exporting import export_of
from contests.results.recounting import recount
from contests.voting import running
from tests.contests import stages
from tests.contests.results.test_export import resealed
from tests.contests.stages import AFTER_THE_CLOSE
from tests.contests.voting import staging
from tests.contests.voting.staging import ENDS

pytestmark = pytest.mark.django_db

TABLE = {
    "R": {name: 50 + at for at, name in enumerate("ABCDEF")},
    "S": {name: 60 - at * at for at, name in enumerate("ABCDEF")},
}


def voted(*, aside: int = 1) -> tuple[bytes, stages.Stage]:
    """The export of a decided contest with a counted vote of nine ballots."""
    stage, _ = stages.judged_by_table(TABLE)
    _, other = staging.without_sound()
    # The copies of one made contest serve the other: nobody listens here.
    vote = staging.laid_out(stage, plan=other.plan, state="prepared")
    other.plan.copies.all().delete()
    for entry in stage.entries:
        other.plan.copies.create(recording=entry.recording, gain_db=0, state="ready")
    cast_ = staging.cast_ballots(vote, 9)
    if aside:
        running.set_ballots_aside(
            stage.contest.pk,
            [ballot.code for ballot in cast_[:aside]],
            aside=True,
            actor=stage.host,
            now=ENDS,
            reason="One hand.",
        )
    running.count_vote(stage.contest.pk, actor=stage.host, now=ENDS)
    publishing.decide_result(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
    stage.reread()
    return export_of(stage.contest), stage


class TestExport:
    def test_it_holds_every_ballot_by_its_code_and_nobody(self):
        text, _stage = voted()
        vote = json.loads(text)["vote"]
        assert len(vote["ballots"]) == 9
        assert sum(ballot["set_aside"] for ballot in vote["ballots"]) == 1
        assert vote["tally"]["ballots"] == 8
        for ballot in Ballot.objects.select_related("member"):
            assert ballot.member.name not in text.decode()
            assert ballot.member.email not in text.decode()
        assert recount(text).problems == []

    def test_every_kind_of_alteration_is_seen_though_signed_anew(self):
        text, _ = voted()

        def problems(change) -> str:
            content = json.loads(text)
            change(content)
            return "\n".join(recount(resealed(content)).problems)

        def turn_a_ballot(content):
            order = next(one for one in content["vote"]["ballots"] if not one["set_aside"])["order"]
            order.reverse()

        assert "public vote › entries" in problems(turn_a_ballot)

        def take_a_ballot_back(content):
            next(one for one in content["vote"]["ballots"] if one["set_aside"])["set_aside"] = False

        assert "those set aside, are not those" in problems(take_a_ballot_back)

        def lose_a_ballot(content):
            content["vote"]["ballots"].pop()

        assert "are not those that the decision log recorded" in problems(lose_a_ballot)

        def change_the_tally(content):
            content["vote"]["tally"]["entries"][0]["mean_rank"] += 1e-12

        assert problems(change_the_tally) == (
            "The tally of the public vote is not the one that the decision log recorded."
        )
        assert "the file holds none" in problems(lambda content: content.pop("vote"))

        def name_a_mix_twice(content):
            order = next(one for one in content["vote"]["ballots"] if not one["set_aside"])["order"]
            order[1] = order[0]

        assert "names a mix twice" in problems(name_a_mix_twice)

    def test_a_vote_that_was_never_counted_is_seen(self):
        text, _ = voted()
        content = json.loads(text)
        stage, _ = stages.judged_by_table(TABLE)
        publishing.decide_result(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
        without = json.loads(export_of(stage.reread()))
        assert "vote" not in without
        without["vote"] = content["vote"]
        assert recount(resealed(without)).problems == [
            "The file holds a public vote, and the decision log has none counted."
        ]


class TestMembers:
    def test_they_take_their_ballots_along_by_the_letters_they_know(self):
        _, vote = staging.without_sound()
        member = staging.voter()
        assert not any(part.name == "contests" for part in own_data.parts_of(member))
        ballot = staging.submit(staging.drawn(vote, member))
        (part,) = [part for part in own_data.parts_of(member) if part.name == "contests"]
        (taken,) = part.holds["ballots"]
        assert taken["ballot"] == ballot.code
        assert [mix["label"] for mix in taken["mixes"]] == list("ABCDE")
        assert [mix["rank"] for mix in taken["mixes"]] == [1, 2, 3, 4, 5]
        assert "entry" not in str(taken)

    def test_a_submitted_ballot_goes_on_counting_without_a_name(self):
        stage, vote = staging.without_sound()
        member = staging.voter()
        staging.submit(staging.drawn(vote, member))
        kept = [line for one in leaving.partings_of(member, now=ENDS) for line in one.kept]
        assert any("they go on counting" in line for line in kept)
        leaving.leave(member, {}, now=ENDS)
        ballot = vote.ballots.get()
        assert ballot.member.name.startswith("Former member")
        assert ballot.network_mark == ""
        counted = running.count_vote(stage.contest.pk, actor=stage.host, now=ENDS)
        assert counted.working["ballots"] == 1

    def test_one_that_was_not_submitted_goes(self):
        _, vote = staging.without_sound()
        member = staging.voter()
        staging.drawn(vote, member)
        lost = [line for one in leaving.partings_of(member, now=ENDS) for line in one.lost]
        assert any("Your ballot in the vote on" in line for line in lost)
        leaving.leave(member, {}, now=ENDS)
        assert not vote.ballots.exists()
        assert not type(member).objects.filter(pk=member.pk).exists()
