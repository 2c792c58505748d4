"""The voter's page and the host's: for the right person, the wrong one, nobody, and by the wrong method."""

from __future__ import annotations

import json
import re
from datetime import timedelta

import pytest
from django.test import Client

from analysis.listening.models import CopyState
from contests.models import BallotLine
from contests.results import publishing
from contests.states import EntryState, VoteState
from contests.voting import ballots, running
from tests import cast
from tests.contests import stages
from tests.contests.hosting.conftest import signed_in
from tests.contests.voting import staging
from tests.contests.voting.staging import ENDS, OPENS, WHILE_OPEN

pytestmark = pytest.mark.django_db


@pytest.fixture
def staged(clock):
    """A vote that is open."""
    clock.now = WHILE_OPEN
    return staging.without_sound()


TOKEN = re.compile(r'name="csrfmiddlewaretoken" value="[^"]*"')


def page(stage, end: str = "") -> str:
    return f"/contests/voting/{stage.contest.slug}/{end}"


def text(answer) -> str:
    return answer.content.decode()


class TestTheVoter:
    def test_it_is_drawn_ordered_heard_and_sealed_without_script(self, staged, clock):
        stage, vote = staged
        client = signed_in(staging.voter())
        assert "Draw my ballot" in text(client.get(page(stage)))
        assert not vote.ballots.exists()  # looking draws nothing
        assert client.post(page(stage))["Location"] == page(stage)
        ballot = vote.ballots.get()
        lines = list(ballot.lines.all())
        for line in lines:
            assert client.post(page(stage, "order/"), {"move": f"place:{line.code}"}).status_code == 302
        client.post(page(stage, "order/"), {"move": f"up:{lines[1].code}"})
        order = [lines[1], lines[0], *lines[2:]]
        assert ballots.placed(ballots.lines_of(ballot)) == order
        told = {line.code: {"seconds": 45.5, "plays": 2} for line in lines}
        answer = client.post(page(stage, "heard/"), json.dumps(told), content_type="application/json")
        assert answer.status_code == 204
        shown = text(client.get(page(stage)))
        assert f'value="{",".join(line.code for line in order)}"' in shown
        assert "heard 0:46 of at least 0:01" in shown
        clock.now += timedelta(minutes=5)
        sent = {"order": ",".join(line.code for line in order)}
        assert client.post(page(stage, "submit/"), sent).status_code == 302
        ballot.refresh_from_db()
        assert ballot.submitted_at == clock.now
        sealed = text(client.get(page(stage)))
        assert "submitted" in sealed
        assert "<li>Mix B</li><li>Mix A</li><li>Mix C</li>" in sealed
        again = client.post(page(stage, "submit/"), sent)
        assert again.status_code == 422

    def test_refusals_come_in_words_and_change_nothing(self, staged):
        stage, _vote = staged
        client = signed_in(staging.voter())
        client.post(page(stage))
        answer = client.post(page(stage, "submit/"), {"order": ""})
        assert answer.status_code == 422
        assert "Not placed yet: mixes A, B, C, D and E." in text(answer)
        assert client.post(page(stage, "order/"), {"move": "up:nothing"}).status_code == 422
        assert client.post(page(stage, "order/"), {}).status_code == 422
        assert client.post(page(stage, "heard/"), b"\xff", content_type="application/json").status_code == 422
        assert client.post(page(stage, "heard/"), "[]", content_type="application/json").status_code == 422
        assert not BallotLine.objects.exclude(heard_s=0, rank=None).exists()

    def test_heard_time_never_falls_and_only_of_the_own_mixes(self, staged, clock):
        stage, vote = staged
        client, other = signed_in(staging.voter()), staging.drawn(vote, staging.voter("Other Brill"))
        client.post(page(stage))
        ballot = vote.ballots.exclude(pk=other.pk).get()
        mine, others = ballot.lines.first(), other.lines.first()

        def tell(seconds):
            told = {
                mine.code: {"seconds": seconds, "plays": 1},
                others.code: {"seconds": 50, "plays": 1},
                "x": 1,
            }
            client.post(page(stage, "heard/"), json.dumps(told), content_type="application/json")
            mine.refresh_from_db()
            others.refresh_from_db()
            return mine.heard_s, others.heard_s

        assert tell(12.5) == (12.5, 0.0)
        assert tell(3) == (12.5, 0.0)
        assert tell("90") == (12.5, 0.0)
        assert tell(1e9) == (12.5, 0.0)
        clock.now = ENDS
        assert tell(60) == (12.5, 0.0)

    @pytest.mark.parametrize(
        ("who", "sentence"),
        [
            ("host", "Hosts run the contest"),
            ("judge", "You have a seat on the panel"),
            ("young", "Members vote whose account is older than the contest"),
        ],
    )
    def test_whoever_has_no_vote_is_told_why(self, staged, who, sentence):
        stage, vote = staged
        people = {
            "host": lambda: staging.aged(stage.host),
            "judge": lambda: staging.aged(cast.judge(stage.contest).member),
            "young": lambda: cast.member("Late Comer"),
        }
        client = signed_in(people[who]())
        answer = client.get(page(stage))
        assert (answer.status_code, sentence in text(answer)) == (200, True)
        assert "Draw my ballot" not in text(answer)
        assert client.post(page(stage)).status_code == 422
        assert not vote.ballots.exists()

    def test_whoever_is_seated_meanwhile_reads_it_before_more_is_heard(self, staged, clock):
        stage, vote = staged
        early, late = staging.voter("Fenna Brill"), staging.voter("Ruy Halden")
        submitted, drawn = (staging.drawn(vote, one) for one in (early, late))
        clock.now = WHILE_OPEN + timedelta(minutes=30)
        staging.submit(submitted, now=clock.now)
        for one in (early, late):
            stage.contest.judges.create(member=one)
        told = text(signed_in(late).get(page(stage)))
        assert "You have a seat on the panel" in told
        assert "drawn for you was not submitted, so it does not count" in told
        assert "booth-set" not in told
        assert drawn.lines.first().code not in told
        kept = text(signed_in(early).get(page(stage)))
        assert "Sealed on" in kept
        assert "seat on the panel" not in kept
        assert [one.code for one in running.submitted_ballots(vote)] == [submitted.code]

    def test_before_and_after_its_hours_it_says_so(self, staged, clock):
        stage, _vote = staged
        client = signed_in(staging.voter())
        client.post(page(stage))
        for now, sentence in [(OPENS - timedelta(hours=2), "has not begun"), (ENDS, "so it does not count")]:
            clock.now = now
            assert sentence in text(client.get(page(stage)))
            assert client.post(page(stage, "submit/"), {"order": ""}).status_code == 422

    def test_nobody_signs_in_first(self, staged, client):
        stage, _ = staged
        for end in ("", "order/", "submit/", "heard/"):
            for method in (client.get, client.post):
                answer = method(page(stage, end))
                assert answer.status_code == 302
                assert answer["Location"].startswith("/members/")

    def test_wrong_methods_and_wrong_places(self, staged):
        stage, _ = staged
        client = signed_in(staging.voter())
        assert client.delete(page(stage)).status_code == 405
        assert client.get(page(stage, "heard/")).status_code == 405
        for end in ("order/", "submit/"):
            assert client.get(page(stage, end))["Location"] == page(stage)
            assert client.post(page(stage, end)).status_code == 404  # no ballot drawn yet
        other = cast.contest()
        for end in ("", "order/", "submit/", "heard/"):
            assert client.post(f"/contests/voting/{other.slug}/{end}").status_code == 404

    def test_a_drafts_vote_is_not_there(self, staged):
        stage, _vote = staged
        type(stage.contest).objects.update(state="draft")
        client = signed_in(staging.voter())
        assert client.get(page(stage)).status_code == 404
        assert client.get(f"/contests/{stage.contest.slug}/").status_code == 404


class TestHearing:
    def test_own_mixes_are_heard_while_the_ballot_is_open(self, clock):
        stage, vote = staging.prepared()
        clock.now = WHILE_OPEN
        member = staging.voter()
        client, stranger = signed_in(member), signed_in(staging.voter("Other Brill"))
        ballot = staging.drawn(vote, member)
        line = ballot.lines.first()
        address = f"/contests/voting/hear/{line.code}/0"
        booth = client.get(page(stage)).context["vote"].booth_set
        assert next(copy["segments_url"] + "0" for copy in booth["copies"]) == address
        answer = client.get(address)
        assert answer.status_code == 200
        assert b"".join(answer.streaming_content)[:4] == b"fLaC"
        assert answer["Cache-Control"] == "private, no-store"
        assert client.post(address).status_code == 405
        for other in (stranger, Client(), signed_in(stage.host)):
            assert other.get(address).status_code == 404
        assert client.get(f"/contests/voting/hear/{line.code}/99").status_code == 404
        type(line.entry).objects.filter(pk=line.entry_id).update(state=EntryState.DISQUALIFIED)
        assert client.get(address).status_code == 404
        type(line.entry).objects.filter(pk=line.entry_id).update(state=EntryState.READY)
        clock.now = ENDS
        assert client.get(address).status_code == 404
        clock.now = WHILE_OPEN
        staging.submit(ballot)
        assert client.get(address).status_code == 404


class TestTheHost:
    def desk(self, stage, end: str = "") -> str:
        return f"/contests/hosting/{stage.contest.slug}/vote/{end}"

    def test_it_is_for_hosts(self, staged, client):
        stage, _ = staged
        addresses = {"": client.get, "do/count/": client.post, "ballots/": client.post}
        for end in addresses:
            assert client.post(self.desk(stage, end)).status_code == 302
        someone = signed_in(staging.voter())
        for end in addresses:
            assert someone.get(self.desk(stage, end)).status_code == 404
            assert someone.post(self.desk(stage, end)).status_code == 404
        host = signed_in(stage.host)
        assert host.post(self.desk(stage)).status_code == 405
        assert host.get(self.desk(stage, "do/count/")).status_code == 405
        assert host.get(self.desk(stage, "ballots/")).status_code == 405
        assert host.post(self.desk(stage, "do/other/")).status_code == 404

    @pytest.mark.parametrize(
        ("state", "before", "after"),
        [
            (CopyState.WAITING, "nobody gets a ballot before", "nobody is given this mix before"),
            (CopyState.REFUSED, "and nobody gets a ballot", "so this mix comes on no ballot"),
        ],
    )
    def test_a_copy_that_is_not_ready_holds_up_the_first_ballot_and_none_after_it(
        self, staged, state, before, after
    ):
        stage, vote = staged
        ready = vote.plan.copies.last()
        late = vote.plan.copies.filter(pk=ready.pk)
        late.update(state=state)
        host = signed_in(stage.host)
        assert before in text(host.get(self.desk(stage)))
        late.update(state=CopyState.READY)
        staging.drawn(vote, staging.voter())
        late.update(state=state)
        shown = text(host.get(self.desk(stage)))
        assert after in shown
        assert before not in shown

    def test_there_are_no_running_totals_for_anybody(self, staged, clock):
        """While it runs the host's page counts ballots, and is the same whatever they say."""
        stage, vote = staged
        host = signed_in(stage.host)
        begun = [staging.drawn(vote, staging.voter(f"Voter{n} Brill")) for n in range(3)]
        seen = []
        for turned in (1, -1):
            BallotLine.objects.update(rank=None)
            vote.ballots.update(submitted_at=None)
            for ballot in begun:
                staging.submit(ballot, key=lambda line, t=turned: t * line.entry_id)
            shown = host.get(self.desk(stage))
            assert "3 submitted of 3 given out" in text(shown)
            seen.append(TOKEN.sub("", text(shown)))
            assert "Count the vote" not in text(shown)
            assert begun[0].code not in text(shown)
        assert seen[0] == seen[1]
        assert host.post(self.desk(stage, "do/count/")).status_code == 422
        # Nor does ending alone say anything: doubts are decided without knowing what they would change.
        clock.now = ENDS
        ended = text(host.get(self.desk(stage)))
        assert "Count the vote" in ended
        assert "Mean rank" not in ended

    def test_from_the_sheet_to_the_result(self, clock):
        stage = stages.decided(entrants=staging.ENTRANTS)
        host = signed_in(stage.host)
        staging.laid_out(stage)
        desk = f"/contests/hosting/{stage.contest.slug}/"
        assert "Prepare the public vote" in text(host.get(desk))
        assert host.post(self.desk(stage, "do/prepare/"))["Location"] == self.desk(stage)
        stage.contest.vote.refresh_from_db()
        vote = stage.contest.vote
        assert vote.state == VoteState.PREPARED
        clock.now = WHILE_OPEN
        cast_ = staging.cast_ballots(vote, 6)
        clock.now = ENDS
        assert "The public vote has ended" in text(host.get(desk))
        sent = {"ballot": [cast_[0].code], "further": f"{cast_[1].code}, {cast_[0].code}", "do": "aside"}
        refused = host.post(self.desk(stage, "ballots/"), sent)
        assert (refused.status_code, "Give the reason" in text(refused)) == (422, True)
        assert host.post(self.desk(stage, "ballots/"), sent | {"reason": "One hand."}).status_code == 302
        assert vote.ballots.filter(is_set_aside=True).count() == 2
        back = {"further": cast_[1].code, "do": "back", "reason": "A family."}
        assert host.post(self.desk(stage, "ballots/"), back).status_code == 302
        assert host.post(self.desk(stage, "do/count/")).status_code == 302
        counted = text(host.get(self.desk(stage)))
        assert "5 ballots counted" in counted
        assert "Not public before the result is." in counted
        # Not public before the result is; then beside it, and apart.
        result = f"/contests/results/{stage.contest.slug}/"
        visitor = Client()
        assert visitor.get(result).status_code == 404
        assert "Mean rank" not in text(signed_in(staging.voter("Late Brill")).get(page(stage)))
        publishing.publish_result(stage.contest.pk, actor=stage.host, now=ENDS)
        shown = text(visitor.get(result))
        assert "Apart from the panel’s result and no part of it: 5 ballots" in shown
        assert "The host set 1 aside" in shown
        assert "Public, beside the panel’s result." in text(host.get(self.desk(stage)))
        best = min(stage.entries, key=lambda entry: entry.receipt)
        vote.refresh_from_db()
        assert vote.working["entries"][0]["entry"] == str(best.pk)

    def test_it_is_ended_early_with_a_reason(self, staged, clock):
        stage, vote = staged
        host = signed_in(stage.host)
        assert "End the vote early" in text(host.get(self.desk(stage)))
        assert host.post(self.desk(stage, "do/end/")).status_code == 422
        assert host.post(self.desk(stage, "do/end/"), {"reason": "A storm."}).status_code == 302
        vote.refresh_from_db()
        assert vote.closes_at == clock.now
        assert "Count the vote" in text(host.get(self.desk(stage)))

    def test_a_refused_copy_is_told(self, staged):
        stage, vote = staged
        copy = vote.plan.copies.first()
        copy.state, copy.trouble = CopyState.REFUSED, "The meters disagree by 1.0 LU."
        copy.save()
        assert "The meters disagree" in text(signed_in(stage.host).get(self.desk(stage)))

    def test_without_a_vote_the_page_says_how_to_lay_one_out(self):
        stage = stages.Stage(cast.contest(), cast.host())
        assert "Lay one out" in text(signed_in(stage.host).get(self.desk(stage)))


class TestTheContestsPage:
    def test_the_terms_are_public(self, staged, client):
        stage, _ = staged
        shown = text(client.get(f"/contests/{stage.contest.slug}/"))
        assert "Public vote" in shown
        assert f'href="{page(stage)}"' in shown
        assert "5 on each ballot" in shown

    def test_it_leads_to_the_vote_while_that_is_open(self, staged, client, clock):
        stage, _ = staged
        address = f"/contests/{stage.contest.slug}/"
        assert "Hear and vote" in text(client.get(address))
        clock.now = ENDS
        assert "Hear and vote" not in text(client.get(address))

    def test_its_hours_are_in_the_calendar(self, staged, client):
        stage, vote = staged
        dates = text(client.get(f"/contests/{stage.contest.slug}/dates.ics"))
        for name, at in [("opens", vote.opens_at), ("ends", vote.closes_at)]:
            assert f"contest-{stage.contest.pk}-vote-{name}@" in dates
            assert f"DTSTART:{at:%Y%m%dT%H%M%SZ}" in dates

    def test_a_contest_without_one_does_not_speak_of_it(self, client):
        assert "Public vote" not in text(client.get(f"/contests/{cast.contest().slug}/"))


def test_tallies_are_read_by_nothing_that_a_voter_opens(staged):
    """What is counted is kept in one place, and before the counting there is nothing to read."""
    _, vote = staged
    staging.cast_ballots(vote, 2)
    vote.refresh_from_db()
    assert vote.working is None
    assert running.tally_of(vote).ballots == 2
