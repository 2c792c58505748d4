"""Whoever may vote is told by letter and on the own page, once each, and learns what the page says."""

from __future__ import annotations

import re
from datetime import datetime, timedelta

import pytest
from django.core import mail
from django.test import Client

from academy.letters import wishes
from academy.letters.models import Letter, LetterState
from academy.letters.writing import SEND_LETTER
from academy.members.models import Member
from analysis.jobs import running as jobs
from analysis.jobs.models import Job, JobState
from analysis.listening.models import CopyState
from contests import letters, reminding
from contests.letters.addressing import AT_ONCE
from contests.models import Judge, Vote
from contests.states import EntryState, VoteState
from contests.voting import ballots, running
from tests import cast
from tests.contests.voting import staging
from tests.contests.voting.staging import ENDS, OPENS, WHILE_OPEN
from tests.working import work_off

pytestmark = pytest.mark.django_db

SECOND, DAY = timedelta(seconds=1), timedelta(days=1)


@pytest.fixture
def vote(clock) -> Vote:
    """A prepared vote with seven entrants whose accounts are too young, and nobody else."""
    _, vote = staging.without_sound()
    return vote


@pytest.fixture
def beat(clock):
    """The clock's round at a moment, with the job that it asks for; the addresses written to by now."""

    def beat(now: datetime) -> list[str]:
        clock.now = now
        reminding.sweep(now)
        work_off(reminding.TELL_VOTERS)
        return written()

    return beat


def written() -> list[str]:
    rows = Letter.objects.filter(kind=letters.PUBLIC_VOTE.name).order_by("pk")
    return list(rows.values_list("address", flat=True))


def crowd(vote: Vote) -> dict[str, Member]:
    """One person of each sort, with an account that is old enough unless the name says otherwise."""
    people = {name: staging.voter(f"{name} Brill") for name in ("Member", "Judge", "Former", "Gone", "Host")}
    people["Young"] = staging.voter("Young Brill", joined_at=vote.contest.opens_at)
    people["Entrant"] = staging.aged(vote.contest.entries.first().member)
    Judge.objects.create(contest=vote.contest, member=people["Judge"])
    Judge.objects.create(contest=vote.contest, member=people["Former"], has_left=True)
    Member.objects.filter(pk=people["Gone"].pk).update(is_active=False)
    Member.objects.filter(pk=people["Host"].pk).update(is_host=True)
    return {name: Member.objects.get(pk=one.pk) for name, one in people.items()}


class TestWhoIsTold:
    def test_those_who_may_vote_are_those_in_whose_way_nothing_stands(self, vote):
        people = crowd(vote)
        may_vote = set(ballots.voters_of(vote))
        assert may_vote == {people["Member"], people["Entrant"]}
        for member in Member.objects.filter(is_active=True):
            assert (ballots.obstacle(vote, member) is None) == (member in may_vote), member

    def test_each_of_them_gets_one_letter_whatever_is_repeated(self, vote, beat):
        people = crowd(vote)
        told = beat(WHILE_OPEN)
        assert sorted(told) == sorted([people["Member"].email, people["Entrant"].email])
        assert beat(WHILE_OPEN + timedelta(minutes=5)) == told
        Job.objects.filter(kind=reminding.TELL_VOTERS).update(state=JobState.QUEUED)
        Vote.objects.update(opening_told_at=None)  # as if the job had died at its last step
        assert beat(WHILE_OPEN + timedelta(minutes=10)) == told

    def test_who_has_voted_already_or_wants_none_is_not_told(self, vote, beat):
        voted, unwilling, third = staging.voter("Ada Brill"), staging.voter("Bo Brill"), staging.voter()
        staging.submit(staging.drawn(vote, voted))
        wishes.switch_off(unwilling, letters.PUBLIC_VOTE, now=WHILE_OPEN)
        assert beat(WHILE_OPEN + timedelta(minutes=10)) == [third.email]

    def test_many_are_written_to_in_portions_and_a_broken_run_begins_anew(
        self, vote, beat, clock, monkeypatch
    ):
        people = [staging.voter(f"Voter{n} Brill").email for n in range(2 * AT_ONCE + 5)]
        clock.now = WHILE_OPEN
        reminding.sweep(WHILE_OPEN)
        job = Job.objects.get(kind=reminding.TELL_VOTERS)
        real, calls = letters.public_vote, []

        def breaks(vote, member, **words):
            calls.append(member)
            if len(calls) == AT_ONCE + 3:
                raise OSError("the disk is full")
            real(vote, member, **words)

        monkeypatch.setattr(letters, "public_vote", breaks)
        assert not jobs.run(job.pk)
        assert written() == people[:AT_ONCE]  # the portion in which it broke is taken back whole
        Job.objects.filter(pk=job.pk).update(run_after=WHILE_OPEN)
        assert jobs.run(job.pk)
        assert written() == people


class TestWhen:
    def test_it_is_told_once_the_vote_is_open(self, vote, beat):
        staging.voter()
        assert beat(OPENS - SECOND) == []
        assert len(beat(OPENS)) == 1

    @pytest.mark.parametrize("state", [CopyState.WAITING, CopyState.REFUSED])
    def test_not_while_nobody_gets_a_ballot(self, vote, beat, state):
        staging.voter()
        copy = vote.plan.copies.first()
        copy.state = state
        copy.save()
        assert beat(WHILE_OPEN) == []
        copy.state = CopyState.READY
        copy.save()
        assert len(beat(WHILE_OPEN)) == 1

    def test_not_after_it_has_ended_nor_before_it_is_prepared(self, vote, beat):
        staging.voter()
        assert beat(ENDS) == []
        Vote.objects.update(state=VoteState.LAID_OUT)
        assert beat(WHILE_OPEN) == []

    def test_a_day_before_the_end_who_has_not_voted_is_told_once_more(self, vote, beat):
        voted, drew, idle = (staging.voter(f"{name} Brill") for name in ("Ada", "Bo", "Cy"))
        opening = beat(WHILE_OPEN)
        assert len(opening) == 3
        staging.submit(staging.drawn(vote, voted))
        staging.drawn(vote, drew)
        assert beat(ENDS - DAY - SECOND) == opening
        assert beat(ENDS - DAY) == [*opening, drew.email, idle.email]
        assert beat(ENDS - SECOND) == [*opening, drew.email, idle.email]
        assert beat(ENDS) == [*opening, drew.email, idle.email]

    def test_who_was_told_of_the_opening_within_the_last_day_is_told_no_more(self, vote, beat):
        staging.voter()
        assert len(beat(ENDS - DAY + SECOND)) == 1
        assert len(beat(ENDS - SECOND)) == 1

    def test_it_is_not_sent_once_the_vote_has_ended_early(self, vote, beat, clock):
        staging.voter()
        beat(WHILE_OPEN)
        clock.now = WHILE_OPEN + timedelta(hours=1)
        running.end_vote(vote.contest.pk, actor=cast.host(), now=clock.now, reason="Too many bots.")
        assert jobs.run(Job.objects.get(kind=SEND_LETTER).pk)
        assert Letter.objects.get(kind=letters.PUBLIC_VOTE.name).state == LetterState.TOO_LATE
        assert mail.outbox == []


class TestWords:
    def test_it_says_until_when_and_what_is_asked(self, vote, beat):
        member = staging.voter()
        beat(WHILE_OPEN)
        letter = Letter.objects.get()
        assert letter.subject == f"{vote.contest}: the public vote is open"
        said = " ".join(letter.text.split())
        # The contest's zone is Lisbon's: in March, before the change of clocks, that is UTC.
        assert "is open until Wed 19 Mar 2031, 13:00" in said
        assert "5 mixes" in said
        assert f"/contests/voting/{vote.contest.slug}/" in said
        assert wishes.off_address(member, letters.PUBLIC_VOTE) in letter.text

    def test_an_entrant_reads_the_same_as_everybody(self, vote, beat):
        """But for the name, the link that switches it off, and the address that it goes to."""
        entrant, other = staging.aged(vote.contest.entries.first().member), staging.voter()
        beat(WHILE_OPEN)
        beat(ENDS - DAY)
        texts = []
        for person in (entrant, other):
            rows = Letter.objects.filter(person=person).order_by("pk")
            bare = [f"{one.subject}\n{one.text}\n{one.html}".replace(person.name, "NAME") for one in rows]
            texts.append([re.sub(r"\S*/off/\S*", "OFF", text) for text in bare])
        assert texts[0] == texts[1]
        assert len(texts[0]) == 2

    def test_it_tells_nothing_of_entries(self, vote, beat):
        staging.voter()
        beat(WHILE_OPEN)
        letter = Letter.objects.get()
        said = f"{letter.subject} {letter.text} {letter.html}"
        for entry in vote.contest.entries.all():
            for canary in (entry.receipt, entry.member.name.split()[0], entry.recording.original_name):
                assert canary not in said


class TestTheOwnPage:
    def lines(self, member: Member) -> list[tuple[str, str, str]]:
        client = Client()
        client.force_login(member)
        html = client.get("/members/").content.decode()
        found = re.findall(r'<h3><a href="(\S+)">(Public vote[^<]*)</a></h3>\s*<p>([^<]*)</p>', html)
        return [(address, title, words) for address, title, words in found]

    def test_it_says_how_far_the_own_vote_is(self, vote, clock):
        clock.now = WHILE_OPEN
        member = staging.voter()
        ((address, title, words),) = self.lines(member)
        assert address == f"/contests/voting/{vote.contest.slug}/"
        assert title == f"Public vote on “{vote.contest}”"
        assert words.startswith("Your vote is open until Wed 19 Mar 2031, 13:00")
        ballot = staging.drawn(vote, member)
        assert "drawn and not submitted yet" in self.lines(member)[0][2]
        staging.submit(ballot)
        clock.now = WHILE_OPEN + timedelta(minutes=10)
        assert self.lines(member)[0][2].startswith("You have voted.")

    def test_it_is_there_for_who_may_vote_and_alike_for_an_entrant(self, vote, clock):
        clock.now = WHILE_OPEN
        people = crowd(vote)
        assert self.lines(people["Entrant"]) == self.lines(people["Member"]) != []
        for name in ("Judge", "Former", "Young", "Host"):
            assert self.lines(people[name]) == []

    @pytest.mark.parametrize("now", [OPENS - SECOND, ENDS])
    def test_it_is_there_while_the_vote_is_open_only(self, vote, clock, now):
        member = staging.voter()
        clock.now = now
        assert self.lines(member) == []

    def test_an_entry_that_went_out_changes_no_word(self, vote, clock):
        clock.now = WHILE_OPEN
        entrant = staging.aged(vote.contest.entries.first().member)
        before = self.lines(entrant)
        vote.contest.entries.filter(member=entrant).update(state=EntryState.DISQUALIFIED)
        assert self.lines(entrant) == before != []
