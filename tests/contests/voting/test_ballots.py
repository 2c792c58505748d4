"""One ballot a member: drawn by the site, ordered, sealed, or refused in words."""

from __future__ import annotations

from collections import Counter
from datetime import timedelta

import pytest

from analysis.listening.models import CopyState, ListeningCopy
from contests.models import Ballot, BallotLine
from contests.states import EntryState
from contests.voting import ballots
from contests.voting.ballots import BallotRefused
from tests import cast
from tests.contests.voting import staging
from tests.contests.voting.staging import ENDS, OPENS, WHILE_OPEN

pytestmark = pytest.mark.django_db


@pytest.fixture
def vote():
    return staging.without_sound()[1]


class TestDrawing:
    def test_it_is_the_same_however_often_it_is_asked_for(self, vote):
        member = staging.voter()
        first = staging.drawn(vote, member)
        codes = [line.code for line in first.lines.all()]
        again = staging.drawn(vote, member, now=WHILE_OPEN + timedelta(hours=5))
        assert (again.pk, [line.code for line in again.lines.all()]) == (first.pk, codes)
        assert len(set(codes)) == 5
        assert [line.label for line in first.lines.all()] == list("ABCDE")

    def test_every_mix_is_shown_about_as_often(self, vote):
        for n in range(14):
            staging.drawn(vote, staging.voter(f"Voter{n} Brill"))
        shown = Counter(BallotLine.objects.values_list("entry", flat=True))
        assert set(shown.values()) == {10}  # 14 packets of 5 over 7 mixes

    def test_an_entrant_never_gets_the_own_mix(self, vote):
        for entry in vote.contest.entries.all():
            ballot = staging.drawn(vote, staging.aged(entry.member))
            assert entry.pk not in ballot.lines.values_list("entry", flat=True)

    def test_letters_say_nothing_about_the_entry(self, vote):
        for n in range(21):
            staging.drawn(vote, staging.voter(f"Voter{n} Brill"))
        letters = Counter(BallotLine.objects.filter(label="A").values_list("entry", flat=True))
        assert len(letters) >= 5
        assert BallotLine.objects.values("code").distinct().count() == 21 * 5

    @pytest.mark.parametrize(
        ("now", "sentence"),
        [
            (OPENS - timedelta(seconds=1), "has not begun"),
            (ENDS, "The vote ended on"),
        ],
    )
    def test_outside_its_hours_there_is_none(self, vote, now, sentence):
        with pytest.raises(BallotRefused, match=sentence):
            staging.drawn(vote, staging.voter(), now=now)
        assert not Ballot.objects.exists()
        assert staging.drawn(vote, staging.voter("Other Brill"), now=ENDS - timedelta(seconds=1))

    def test_hosts_judges_and_young_accounts_have_none(self, vote):
        opened_at = vote.contest.opens_at
        people = {
            "Hosts run the contest": staging.aged(cast.host()),
            "You have a seat on the panel": staging.aged(cast.judge(vote.contest).member),
            "older than the contest": staging.voter("Late Comer", joined_at=opened_at),
        }
        for sentence, member in people.items():
            with pytest.raises(BallotRefused, match=sentence):
                staging.drawn(vote, member)
        assert staging.drawn(vote, staging.voter("Old Hand", joined_at=opened_at - timedelta(seconds=1)))

    @pytest.mark.parametrize(
        ("state", "sentence"),
        [(CopyState.WAITING, "still being prepared"), (CopyState.REFUSED, "the host has to decide")],
    )
    def test_nobody_votes_while_a_mix_cannot_be_heard(self, vote, state, sentence):
        ListeningCopy.objects.filter(pk=ListeningCopy.objects.first().pk).update(state=state)
        with pytest.raises(BallotRefused, match=sentence):
            staging.drawn(vote, staging.voter())

    def test_a_mix_that_comes_in_late_keeps_nobody_from_voting_and_is_drawn_once_it_is_ready(self, vote):
        late = vote.contest.entries.first()
        copy = ListeningCopy.objects.filter(recording=late.recording)
        copy.delete()
        ballot = staging.drawn(vote, staging.voter())
        ListeningCopy.objects.create(plan=vote.plan, recording=late.recording, gain_db=0)
        assert staging.submit(ballot).submitted_at is not None
        for number in range(3):
            other = staging.drawn(vote, staging.voter(f"Other{number} Brill"))
            assert late.pk not in other.lines.values_list("entry", flat=True)
        copy.update(state=CopyState.READY)
        next_one = staging.drawn(vote, staging.voter("Next Brill"))
        assert late.pk in next_one.lines.values_list("entry", flat=True)  # it is the one shown least

    def test_a_field_grown_too_small_is_said(self, vote):
        vote.contest.entries.filter(receipt__gte="2345-6789-0004").update(state=EntryState.DISQUALIFIED)
        with pytest.raises(BallotRefused, match="A ballot holds 5 mixes; 4 that are not your own are left"):
            staging.drawn(vote, staging.voter())


class TestOrdering:
    @pytest.fixture
    def ballot(self, vote):
        return staging.drawn(vote, staging.voter())

    def order(self, ballot) -> str:
        return "".join(line.label for line in ballots.placed(ballots.lines_of(ballot)))

    def move(self, ballot, label: str, move: str) -> str:
        ballots.move_line(ballot, ballot.lines.get(label=label).code, move, now=WHILE_OPEN)
        return self.order(ballot)

    def test_mixes_are_placed_moved_and_taken_out(self, ballot):
        assert self.move(ballot, "C", "place") == "C"
        assert self.move(ballot, "A", "place") == "CA"
        assert self.move(ballot, "E", "place") == "CAE"
        assert self.move(ballot, "E", "up") == "CEA"
        assert self.move(ballot, "C", "down") == "ECA"
        assert self.move(ballot, "C", "out") == "EA"
        assert self.move(ballot, "C", "place") == "EAC"

    def test_beyond_the_ends_and_twice_nothing_changes(self, ballot):
        self.move(ballot, "A", "place")
        self.move(ballot, "B", "place")
        for label, move in [("A", "up"), ("B", "down"), ("A", "place"), ("D", "up"), ("D", "out")]:
            assert self.move(ballot, label, move) == "AB"

    def test_a_mix_of_another_ballot_is_none_of_this_one(self, ballot, vote):
        other = staging.drawn(vote, staging.voter("Other Brill"))
        for code, move in [(other.lines.first().code, "place"), (ballot.lines.first().code, "first")]:
            with pytest.raises(BallotRefused, match="not on your ballot"):
                ballots.move_line(ballot, code, move, now=WHILE_OPEN)
        assert self.order(ballot) == self.order(other) == ""

    def test_after_the_end_nothing_moves(self, ballot):
        with pytest.raises(BallotRefused, match="not submitted does not count"):
            ballots.move_line(ballot, ballot.lines.first().code, "place", now=ENDS)

    def test_what_left_the_contest_leaves_the_order(self, ballot):
        staging.place_all(ballot)
        gone = ballot.lines.get(label="B").entry
        type(gone).objects.filter(pk=gone.pk).update(state=EntryState.DISQUALIFIED)
        assert self.order(ballot) == "ACDE"
        assert self.move(ballot, "C", "down") == "ADCE"


class TestSubmitting:
    @pytest.fixture
    def ballot(self, vote):
        return staging.drawn(vote, staging.voter())

    def submit(self, ballot, *, after=timedelta(minutes=5), order=None):
        codes = [line.code for line in ballots.placed(ballots.lines_of(ballot))]
        ballots.submit_ballot(
            ballot,
            shown_order=codes if order is None else order,
            network="192.0.2.7",
            now=WHILE_OPEN + after,
        )
        ballot.refresh_from_db()

    def test_it_is_sealed(self, ballot):
        staging.place_all(ballot)
        staging.heard(ballot)
        self.submit(ballot)
        assert ballot.submitted_at == WHILE_OPEN + timedelta(minutes=5)
        with pytest.raises(BallotRefused, match="submitted and sealed"):
            self.submit(ballot)
        with pytest.raises(BallotRefused, match="submitted and sealed"):
            ballots.move_line(ballot, ballot.lines.first().code, "down", now=WHILE_OPEN)

    def test_an_incomplete_one_does_not_count_and_is_told_so(self, ballot):
        for label in "ABD":
            ballots.move_line(ballot, ballot.lines.get(label=label).code, "place", now=WHILE_OPEN)
        staging.heard(ballot)
        with pytest.raises(BallotRefused, match="Not placed yet: mixes C and E"):
            self.submit(ballot)
        ballot.refresh_from_db()
        assert ballot.submitted_at is None

    def test_each_mix_has_to_be_heard(self, ballot):
        staging.place_all(ballot)
        staging.heard(ballot)
        ballot.lines.filter(label="D").update(heard_s=0.99)
        with pytest.raises(BallotRefused, match="Heard for less than 1 s: mix D"):
            self.submit(ballot)
        ballot.lines.filter(label="D").update(heard_s=1.0)
        self.submit(ballot)
        assert ballot.submitted_at

    def test_what_a_page_tells_cannot_be_more_than_the_time_gone_by(self, ballot):
        staging.place_all(ballot)
        staging.heard(ballot, 3600.0)
        with pytest.raises(BallotRefused, match="takes 5 s; you have had the ballot for 4 s"):
            self.submit(ballot, after=timedelta(seconds=4.4))
        self.submit(ballot, after=timedelta(seconds=5))
        assert ballot.submitted_at

    def test_an_order_changed_elsewhere_is_not_sealed_unseen(self, ballot):
        seen = [line.code for line in staging.place_all(ballot)]
        staging.heard(ballot)
        ballots.move_line(ballot, seen[0], "down", now=WHILE_OPEN)
        with pytest.raises(BallotRefused, match="changed in another window"):
            self.submit(ballot, order=seen)
        self.submit(ballot, order=[seen[1], seen[0], *seen[2:]])
        assert ballot.submitted_at

    def test_the_closing_second_is_too_late(self, ballot):
        staging.place_all(ballot)
        staging.heard(ballot)
        with pytest.raises(BallotRefused, match="The vote ended on"):
            self.submit(ballot, after=ENDS - WHILE_OPEN)

    def test_whoever_was_seated_on_the_panel_since_has_no_vote_any_more(self, ballot, vote):
        staging.place_all(ballot)
        staging.heard(ballot)
        vote.contest.judges.create(member=ballot.member)
        with pytest.raises(BallotRefused, match="You have a seat on the panel"):
            self.submit(ballot)

    def test_of_the_network_only_a_keyed_hash_is_kept(self, ballot, vote):
        staging.place_all(ballot)
        staging.heard(ballot)
        self.submit(ballot)
        assert len(ballot.network_mark) == 64
        assert "192.0.2.7" not in ballot.network_mark
        other = staging.submit(staging.drawn(vote, staging.voter("Other Brill")), network="192.0.2.7")
        third = staging.submit(staging.drawn(vote, staging.voter("Third Brill")), network="192.0.2.8")
        assert ballot.network_mark == other.network_mark != third.network_mark
