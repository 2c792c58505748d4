"""The sheet of a public vote: by the contest's clock, between close and result, changed in the open."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from contests.drafting import changing
from contests.drafting.checklist import Missing, missing_before_opening
from contests.models import Contest, Vote
from contests.states import ContestState, VoteState
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
