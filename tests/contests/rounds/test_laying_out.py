"""The sheet on which rounds are laid out: what it takes, refuses, announces, and says to visitors."""

from __future__ import annotations

import pytest
from django.test import Client
from django.urls import reverse

from contests.drafting import changing
from contests.hosting import running
from contests.models import Round
from contests.states import ContestState, RoundState
from tests import cast
from tests.contests import stages
from tests.contests.rounds import staging

pytestmark = pytest.mark.django_db

ROW = {
    "kind": "scores",
    "hearings_per_entry": "3",
    "takes_borderline": "on",
    "goes_on": "",
    "excerpt_start_s": "",
    "excerpt_end_s": "",
    "repeats": "0",
}


def form_of(*rows, kept=(), announcement=None):
    """The fields of the sheet: rows that are kept (by primary key) first, then new ones."""
    fields = {
        "rounds-TOTAL_FORMS": str(len(rows)),
        "rounds-INITIAL_FORMS": str(len(kept)),
        "rounds-MIN_NUM_FORMS": "0",
        "rounds-MAX_NUM_FORMS": "1000",
    }
    for at, row in enumerate(rows):
        for name, value in (ROW | row).items():
            fields[f"rounds-{at}-{name}"] = value
        if at < len(kept):
            fields[f"rounds-{at}-id"] = str(kept[at].pk)
    if announcement is not None:
        fields["announcement"] = announcement
    return fields


@pytest.fixture
def host_client() -> Client:
    client = Client()
    client.force_login(cast.host())
    return client


def send(client, contest, fields):
    return client.post(reverse("contests:set_up_sheet", args=[contest.slug, "rounds"]), fields)


@pytest.fixture
def draft():
    return cast.contest(state=ContestState.DRAFT)


class TestTheSheet:
    def test_rounds_are_numbered_as_they_stand(self, host_client, draft):
        answer = send(
            host_client,
            draft,
            form_of({"kind": "sorting", "goes_on": "20"}, {"goes_on": "5"}, {"heard_by_all": "on"}),
        )
        assert answer.status_code == 302
        rounds = list(draft.rounds.values_list("number", "state", "kind", "goes_on", "heard_by_all"))
        assert rounds == [
            (1, "planned", "sorting", 20, False),
            (2, "planned", "scores", 5, False),
            (3, "planned", "scores", None, True),
        ]

    @pytest.mark.parametrize(
        ("rows", "words"),
        [
            ([{"goes_on": ""}, {}], "Say how many go on"),
            ([{"goes_on": "5"}], "Nothing follows the last round"),
            ([{"goes_on": "5"}, {"goes_on": "5"}, {}], "fewer than that go on"),
            ([{"goes_on": "5"}, {"kind": "sorting"}], "The last round is scored"),
            ([{"kind": "sorting", "asks_order": "on", "goes_on": "5"}, {}], "not put in order"),
            ([{"excerpt_start_s": "10"}], "a start and an end"),
            ([{"excerpt_start_s": "10", "excerpt_end_s": "9"}], "end after it starts"),
            ([{"excerpt_start_s": "10", "excerpt_end_s": "12"}], "lasts 5 s at least"),
            ([{"goes_on": "0"}, {}], "At least one goes on"),
        ],
    )
    def test_what_cannot_be_is_refused_in_words(self, host_client, draft, rows, words):
        answer = send(host_client, draft, form_of(*rows))
        assert answer.status_code == 422
        assert words in answer.content.decode()
        assert not draft.rounds.exists()

    def test_a_change_in_public_is_announced_and_recorded(self, host_client):
        contest = cast.contest()
        (round_,) = staging.lay_out_in(contest, {})
        rows = form_of(
            {"goes_on": "4"}, {"heard_by_all": "on"}, kept=[round_], announcement="A final by all."
        )
        assert send(host_client, contest, rows).status_code == 302
        line = contest.decisions.get(action="contest changed")
        assert line.reason == "A final by all."
        assert set(line.details) == {"round 1", "round 2"}
        page = Client().get(reverse("contests:contest", args=[contest.slug])).content.decode()
        assert "The best 4 go on" in page
        assert "The whole panel hears every entry" in page

    def test_without_an_announcement_nothing_changes(self, host_client):
        contest = cast.contest()
        assert send(host_client, contest, form_of({}, announcement="")).status_code == 422
        assert not contest.rounds.exists()

    def test_of_a_round_that_was_heard_only_the_cut_line_moves(self, host_client):
        contest = cast.contest(state=ContestState.JUDGING)
        (heard,) = staging.lay_out_in(contest, {"state": RoundState.CLOSED})
        rows = form_of({"goes_on": "4", "kind": "sorting"}, {}, kept=[heard], announcement="A second round.")
        assert send(host_client, contest, rows).status_code == 302
        heard.refresh_from_db()
        assert (heard.goes_on, heard.kind, heard.state) == (4, "scores", "closed")
        assert contest.rounds.get(number=2).state == RoundState.PLANNED

    def test_what_was_prepared_while_a_form_waited_for_its_turn_stays_prepared(
        self, host_client, monkeypatch
    ):
        stage = staging.closed({"hearings_per_entry": 2})
        (round_,) = stage.contest.rounds.all()
        change_sheet = changing.change_sheet

        def when_the_lock_is_free(*args, **said):
            running.prepare_round(stage.contest.pk, actor=stage.host, now=stages.AFTER_THE_CLOSE)
            return change_sheet(*args, **said)

        monkeypatch.setattr(changing, "change_sheet", when_the_lock_is_free)
        rows = form_of({"hearings_per_entry": "1"}, kept=[round_], announcement="One judge each.")
        assert send(host_client, stage.contest, rows).status_code == 302
        round_.refresh_from_db()
        assert (round_.state, round_.hearings_per_entry) == ("preparing", 2)
        assert round_.plan is not None
        assert not stage.contest.decisions.filter(action="contest changed").exists()

    def test_a_round_that_is_taken_off_leaves_no_gap(self, host_client, draft):
        one, two, three = staging.lay_out_in(draft, {"goes_on": 9}, {"goes_on": 4}, {})
        fields = form_of({"goes_on": "9"}, {"goes_on": "4"}, {}, kept=[one, two, three])
        assert send(host_client, draft, fields | {"rounds-1-DELETE": "on"}).status_code == 302
        assert list(draft.rounds.values_list("pk", "number")) == [(one.pk, 1), (three.pk, 2)]

    def test_a_copy_of_the_contest_has_the_rounds(self, host_client, draft):
        staging.lay_out_in(draft, {"goes_on": 9, "kind": "sorting"}, {"heard_by_all": True})
        address = reverse("contests:copy", args=[draft.slug])
        assert host_client.post(address, {"title": "Again", "slug": "again"}).status_code == 302
        copied = Round.objects.filter(contest__slug="again")
        assert list(copied.values_list("number", "kind", "goes_on", "heard_by_all", "state")) == [
            (1, "sorting", 9, False, "planned"),
            (2, "scores", None, True, "planned"),
        ]
