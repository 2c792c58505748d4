"""The sheet of a public vote: by the contest's clock, between close and result, changed in the open."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from django.utils import timezone

from contests.drafting import changing
from contests.drafting.checklist import Missing, missing_before_opening
from contests.models import Contest, Entry, Vote
from contests.models.voting import VOTE_RULE
from contests.states import ContestState, EntryState, VoteState
from tests import cast

pytestmark = pytest.mark.django_db

# Lisbon goes to summer time on 30 March 2031 (see test_moments).
DATES = {
    "opens_at": datetime(2031, 3, 1, tzinfo=UTC),
    "closes_at": datetime(2031, 3, 20, 18, 0, tzinfo=UTC),
    "judging_until": datetime(2031, 4, 10, tzinfo=UTC),
    "announced_at": datetime(2031, 4, 12, 17, 0, tzinfo=UTC),
}
TERMS = {
    "holds": "on",
    "opens_at": "2031-03-29T09:00",
    "closes_at": "2031-04-05T18:00",
    "field": "all",
    "packet_size": "6",
    "least_heard_s": "40",
}
SHEET = "/contests/hosting/a-draft/set-up/vote/"


@pytest.fixture(autouse=True)
def clock() -> None:
    """The real clock: nothing here hangs on it."""


@pytest.fixture
def desk(client):
    client.force_login(cast.host())
    return client


@pytest.fixture
def draft() -> Contest:
    return cast.contest(slug="a-draft", state=ContestState.DRAFT, **DATES)


class TestTheSheet:
    def test_its_hours_are_read_in_the_contests_own_zone(self, desk, draft):
        assert desk.post(SHEET, TERMS).status_code == 302
        vote = draft.vote
        assert vote.opens_at == datetime(2031, 3, 29, 9, 0, tzinfo=UTC)
        assert vote.closes_at == datetime(2031, 4, 5, 17, 0, tzinfo=UTC)
        assert (vote.packet_size, vote.least_heard_s, vote.state) == (6, 40, VoteState.LAID_OUT)
        page = desk.get(SHEET).content.decode()
        assert 'value="2031-03-29T09:00"' in page
        assert 'value="2031-04-05T18:00"' in page

    @pytest.mark.parametrize(
        ("field", "value", "sentence"),
        [
            ("opens_at", "2031-03-30T01:30", "never show 01:30"),
            ("opens_at", "2031-03-20T17:59", "when entries have closed"),
            ("closes_at", "2031-03-29T09:00", "has to come after “Vote opens”"),
            ("closes_at", "2031-04-12T18:01", "end by the time of the result"),
            ("closes_at", "", "This field is required"),
            ("packet_size", "4", "greater than or equal to 5"),
            ("packet_size", "13", "less than or equal to 12"),
            ("least_heard_s", "4", "greater than or equal to 5"),
            ("field", "mine", "Select a valid choice"),
        ],
    )
    def test_what_cannot_be_is_said(self, desk, draft, field, value, sentence):
        answer = desk.post(SHEET, TERMS | {field: value})
        assert answer.status_code == 422
        assert sentence in answer.content.decode()
        assert not Vote.objects.exists()

    def test_it_is_switched_off_by_one_tick(self, desk, draft):
        desk.post(SHEET, TERMS)
        assert desk.post(SHEET, {"opens_at": "", "packet_size": "0"}).status_code == 302
        assert not Vote.objects.exists()
        assert desk.post(SHEET, {"holds": ""}).status_code == 302  # and stays off

    def test_a_public_change_is_announced_and_recorded(self, desk, draft):
        desk.post(SHEET, TERMS)
        Contest.objects.update(state=ContestState.OPEN)
        longer = TERMS | {"closes_at": "2031-04-06T18:00"}
        assert desk.post(SHEET, longer).status_code == 422
        assert desk.post(SHEET, longer | {"announcement": "A day more."}).status_code == 302
        line = draft.decisions.get()
        assert line.reason == "A day more."
        assert list(line.details) == ["vote ends"]
        assert "A day more." in desk.get("/contests/a-draft/").content.decode()

    def test_once_prepared_its_terms_are_settled(self, desk, draft):
        desk.post(SHEET, TERMS)
        Contest.objects.update(state=ContestState.JUDGING)
        Vote.objects.update(state=VoteState.PREPARED)
        assert "prepared on these terms" in desk.get(SHEET).content.decode()
        other = TERMS | {"packet_size": "7", "announcement": "More."}
        assert desk.post(SHEET, other).status_code == 422
        assert Vote.objects.get().packet_size == 6


def test_a_copy_takes_its_terms_and_keeps_its_hours_apart(desk, draft):
    desk.post(SHEET, TERMS)
    Vote.objects.update(state=VoteState.PREPARED, seed=9)
    copy = changing.copy_contest(draft, title="Again", slug="again", now=cast.NOW)
    vote = copy.vote
    assert (vote.packet_size, vote.least_heard_s, vote.state, vote.seed) == (6, 40, VoteState.LAID_OUT, 0)
    assert vote.opens_at - copy.closes_at == draft.vote.opens_at - draft.closes_at
    assert vote.fits_timeline


def test_dates_that_moved_past_the_vote_are_found_before_opening(desk, draft):
    desk.post(SHEET, TERMS)
    found = Missing("the public vote does not lie between the close of entries and the result", "vote")
    draft.brief = "Mix it."
    assert found not in missing_before_opening(draft)
    Contest.objects.update(closes_at=datetime(2031, 3, 30, tzinfo=UTC))
    assert found in missing_before_opening(Contest.objects.get(pk=draft.pk))


class TestTheRules:
    """What an entrant accepts says that members may hear the mix; what was accepted before stays."""

    def rules(self, desk, contest) -> str:
        return desk.get(f"/contests/{contest.slug}/").content.decode().partition('id="rules"')[2]

    def test_a_draft_says_it_from_its_first_version_on(self, desk, draft):
        desk.post(SHEET, TERMS)
        assert (draft.vote.in_rules_since, Contest.objects.get().rules_version) == (1, 1)
        assert VOTE_RULE in self.rules(desk, draft)

    def test_the_entrant_reads_it_where_the_rules_are_accepted(self, desk, client, draft):
        desk.post(SHEET, TERMS)
        Contest.objects.update(
            state=ContestState.OPEN,
            opens_at=timezone.now() - timedelta(days=1),
            closes_at=timezone.now() + timedelta(days=1),
        )
        client.force_login(cast.member())
        page = client.get("/contests/a-draft/enter/").content.decode()
        assert VOTE_RULE in page
        Vote.objects.all().delete()
        assert VOTE_RULE not in client.get("/contests/a-draft/enter/").content.decode()

    def test_laid_out_in_the_open_it_is_a_new_version_and_entries_keep_theirs(self, desk, draft):
        entry = self.entered(draft)
        Contest.objects.update(state=ContestState.OPEN)
        assert desk.post(SHEET, TERMS | {"announcement": "Members vote, too."}).status_code == 302
        entry.refresh_from_db()
        assert (entry.rules_version, Contest.objects.get().rules_version) == (1, 2)
        assert Vote.objects.get().in_rules_since == 2
        assert draft.decisions.get().details["in the rules"] == f"– → {VOTE_RULE}"
        assert VOTE_RULE in self.rules(desk, draft)
        # A later change of its hours changes nothing that was agreed.
        longer = TERMS | {"closes_at": "2031-04-06T18:00", "announcement": "A day more."}
        assert desk.post(SHEET, longer).status_code == 302
        assert (Vote.objects.get().in_rules_since, Contest.objects.get().rules_version) == (2, 2)

    def test_the_host_is_told_of_entries_that_were_sent_before(self, desk, draft):
        self.entered(draft)
        Contest.objects.update(state=ContestState.OPEN)
        desk.post(SHEET, TERMS | {"announcement": "Members vote, too."})
        address = "/contests/hosting/a-draft/vote/"
        page = desk.get(address).content.decode()
        assert "1 of the ready entries was sent under rules that did not say" in page
        draft.entries.update(rules_version=2)
        assert "sent under rules that did not say" not in desk.get(address).content.decode()

    def test_a_public_vote_from_before_is_in_the_rules_once_its_host_announces_it(self, desk, draft):
        desk.post(SHEET, TERMS)
        Vote.objects.update(in_rules_since=None)
        Contest.objects.update(state=ContestState.OPEN)
        assert VOTE_RULE not in self.rules(desk, draft)
        assert desk.post(SHEET, TERMS | {"announcement": "The rules say it now."}).status_code == 302
        assert Vote.objects.get().in_rules_since == Contest.objects.get().rules_version == 2
        assert VOTE_RULE in self.rules(desk, draft)

    def test_without_the_vote_the_rules_say_it_no_more(self, desk, draft):
        desk.post(SHEET, TERMS)
        Contest.objects.update(state=ContestState.OPEN)
        assert desk.post(SHEET, {"announcement": "No vote after all."}).status_code == 302
        assert Contest.objects.get().rules_version == 2
        assert VOTE_RULE not in self.rules(desk, draft)

    def test_a_copy_says_it_from_its_first_version_on(self, desk, draft):
        desk.post(SHEET, TERMS)
        Contest.objects.update(rules_version=5)
        copy = changing.copy_contest(draft, title="Again", slug="again", now=cast.NOW)
        assert (copy.vote.in_rules_since, copy.rules_version) == (1, 1)

    def entered(self, contest: Contest) -> Entry:
        return Entry.objects.create(
            contest=contest,
            member=cast.member(),
            recording=cast.recording(),
            state=EntryState.READY,
            receipt="2345-6789-0001",
            received_at=cast.NOW,
            rules_version=1,
        )
