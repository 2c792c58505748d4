"""Whatever a voter can fetch says nothing of whose mix it is, nor of what others voted."""

from __future__ import annotations

import re
import secrets
from datetime import timedelta
from typing import Any

import pytest
from django.db.models import Model

from academy.members.models import Member
from contests.models import Entry
from contests.states import ContestState
from contests.voting import running
from tests import cast
from tests.contests import stages
from tests.contests.hosting.conftest import signed_in
from tests.contests.judging import crawling
from tests.contests.judging.conftest import entry, music, sealed
from tests.contests.judging.test_blindness import rows_in, tagged
from tests.contests.voting import staging
from tests.contests.voting.staging import WHILE_OPEN

pytestmark = pytest.mark.django_db


@pytest.fixture
def planted(clock) -> tuple[str, Any, Any]:
    """An open vote on six mixes whose entrants left a word wherever one can: its word, vote and ballot."""
    word = "zq" + secrets.token_hex(8)
    contest = cast.contest(state=ContestState.CLOSED)
    host = cast.host()
    for number in range(6):
        kind = "WAV" if number % 2 else "FLAC"
        member = cast.member(f"{word} Merrow")
        Member.objects.filter(pk=member.pk).update(email=f"{word}{number}@example.org")
        blob = tagged(music(number, seconds=1.2), word, format=kind)
        recording = sealed(blob, name=f"{word} mix.{kind.lower()}", owner=member)
        running_late = cast.NOW + timedelta(hours=number)
        made = entry(contest, member, recording=recording, received_at=running_late, note=f"{word} again")
        stages.measurement_of(made.recording)
    contest.pack.reference_mix = None
    stage = stages.Stage(contest, host)
    staging.laid_out(stage, least_heard_s=1)
    type(contest.pack).objects.filter(pk=contest.pack_id).update(reference_mix=None)
    vote = running.prepare_vote(contest.pk, actor=host, now=stages.AFTER_THE_CLOSE)
    stages.run_all_jobs()
    clock.now = WHILE_OPEN
    return word, vote, staging.drawn(vote, staging.voter())


def starts(vote: Any) -> list[str]:
    return ["/", "/members/", "/contests/", f"/contests/voting/{vote.contest.slug}/"]


class TestTheCrawl:
    def test_a_voter_finds_the_word_nowhere(self, planted):
        word, vote, ballot = planted
        haul = crawling.crawl(signed_in(ballot.member), starts(vote), most=4000)
        segments = {address for address in haul.found(200) if "/voting/hear/" in address}
        assert len(segments) == 5  # one segment each, and none beyond the last
        assert haul.holding(word) == {}

    def test_nor_by_trying_every_address_of_the_vote(self, planted):
        word, vote, ballot = planted
        other = staging.drawn(vote, staging.voter("Other Brill"))
        first = Entry.objects.first()
        words = [vote.contest.slug, other.code, ballot.code, first.receipt, str(first.recording_id)]
        words += [line.code for line in (*other.lines.all()[:2], *ballot.lines.all()[:1])]
        client, haul = signed_in(ballot.member), crawling.Haul()
        for address in crawling.named_addresses(words, [0, 1, first.pk, vote.pk]):
            if address.startswith(("/contests/voting/", "/contests/hosting/", "/contests/results/")):
                crawling.fetch(client, address, haul)
        assert len(haul.answers) > 100
        assert haul.holding(word) == {}
        mine = set(ballot.lines.values_list("code", flat=True))
        heard = {address for address in haul.found(200) if "/hear/" in address}
        assert heard
        assert all(any(code in address for code in mine) for address in heard)
        assert not [address for address in haul.found(200) if "/hosting/" in address]

    def test_an_entrant_meets_the_own_mix_nowhere_on_the_ballot(self, planted):
        _word, vote, _ = planted
        own = Entry.objects.first()
        client = signed_in(staging.aged(own.member))
        client.post(starts(vote)[3])
        ballot = vote.ballots.get(member=own.member)
        page = client.get(starts(vote)[3]).content.decode()
        assert own.receipt not in page
        assert own.pk not in ballot.lines.values_list("entry", flat=True)
        assert not re.search(r"\d{4}-\d{4}-\d{4}", page)

    def test_the_search_would_find_it(self, planted):
        word, _, _ = planted
        own = Entry.objects.first()
        haul = crawling.Haul()
        crawling.fetch(signed_in(own.member), f"/contests/entries/{own.receipt}/", haul)
        assert haul.holding(word)


def test_no_row_reaches_the_voters_template(planted):
    _, vote, ballot = planted
    answer = signed_in(ballot.member).get(starts(vote)[3])
    rows: list[Model] = [row for context in answer.context for row in rows_in(context.dicts)]
    assert all(isinstance(row, Member) and row.pk == ballot.member_id for row in rows)
    assert set(answer.context["vote"].booth_set["copies"][0]) == {"key", "label", "name", "segments_url"}
    assert answer["Cache-Control"] == "private, no-store"


def test_two_voters_have_other_codes_and_other_orders(planted):
    _, vote, _ = planted
    orders = set()
    codes = set()
    for number in range(8):
        ballot = staging.drawn(vote, staging.voter(f"Voter{number} Brill"))
        orders.add(tuple(ballot.lines.values_list("entry", flat=True)))
        codes |= set(ballot.lines.values_list("code", flat=True))
    assert len(codes) == 40
    assert len(orders) >= 6
