"""The judge's pages, with and without script: the right person, the wrong one, nobody, the wrong method."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import timedelta
from decimal import Decimal
from typing import Any

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from academy.members.models import Member
from contests.judging.sections import judging
from contests.models import Assignment, Entry, Judge, Round, ScoreSheet
from contests.states import EntryState, HearingState, RoundState
from tests import cast
from tests.clock import Clock
from tests.contests.judging.conftest import MakeStage, Stage, kept_scores, scores

SignIn = Callable[[Member], Client]


def desk_of(stage: Stage) -> str:
    return reverse("contests:desk", args=[stage.contest.slug, stage.round.number])


def sheet_of(hearing: Assignment) -> str:
    return reverse("contests:sheet", args=[hearing.code])


def send(client: Client, address: str, fields: Any) -> Any:
    """What the page's script does."""
    return client.post(address, json.dumps(fields), content_type="application/json")


@pytest.fixture
def hearing(stage: Stage) -> Assignment:
    """The first judge's first hearing."""
    return stage.hearings(stage.judges[0])[0]


@pytest.fixture
def browser(stage: Stage, sign_in: SignIn) -> Client:
    """The first judge, signed in."""
    return sign_in(stage.judges[0].member)


def own_pages(stage: Stage, hearing: Assignment) -> dict[str, str]:
    """Every address of the first judge."""
    one = [hearing.code]
    return {
        "desk": desk_of(stage),
        "sheet": reverse("contests:sheet", args=one),
        "submit_sheet": reverse("contests:submit_sheet", args=one),
        "stand_aside": reverse("contests:stand_aside", args=one),
        "heard": reverse("contests:heard", args=[stage.contest.slug, 1]),
    }


class TestWhoMaySee:
    def test_the_judge_may(self, browser: Client, stage: Stage, hearing: Assignment) -> None:
        pages = own_pages(stage, hearing)
        assert browser.get(pages["desk"]).status_code == 200
        assert browser.get(pages["sheet"]).status_code == 200
        for name in ("submit_sheet", "stand_aside"):
            assert browser.get(pages[name])["Location"] == pages["sheet"]

    @pytest.mark.parametrize("name", ["sheet", "submit_sheet", "stand_aside"])
    def test_another_judge_of_the_panel_finds_nothing(
        self, stage: Stage, hearing: Assignment, sign_in: SignIn, name: str
    ) -> None:
        client = sign_in(stage.judges[1].member)
        address = own_pages(stage, hearing)[name]
        assert client.get(address).status_code == 404
        assert client.post(address, scores(hearing)).status_code == 404
        assert send(client, address, scores(hearing)).status_code == 404
        hearing.refresh_from_db()
        assert hearing.state == HearingState.WAITING
        assert not ScoreSheet.objects.exists()

    @pytest.mark.parametrize("name", ["desk", "sheet", "submit_sheet", "stand_aside", "heard"])
    @pytest.mark.parametrize("who", ["entrant", "host", "stranger", "judge elsewhere"])
    def test_others_find_nothing(
        self, stage: Stage, hearing: Assignment, sign_in: SignIn, name: str, who: str
    ) -> None:
        people = {
            "entrant": lambda: stage.entries[0].member,
            "host": cast.host,
            "stranger": cast.member,
            "judge elsewhere": lambda: cast.judge(cast.contest()).member,
        }
        client = sign_in(people[who]())
        address = own_pages(stage, hearing)[name]
        if name != "heard":
            assert client.get(address).status_code == 404
        if name != "desk":
            assert send(client, address, {}).status_code == 404

    @pytest.mark.parametrize("name", ["desk", "sheet", "submit_sheet", "stand_aside", "heard"])
    def test_nobody_is_asked_to_sign_in(
        self, client: Client, clock: Clock, stage: Stage, hearing: Assignment, name: str
    ) -> None:
        response = client.post(own_pages(stage, hearing)[name])
        assert response.status_code == 302
        assert response["Location"].startswith(reverse("members:sign_in"))

    @pytest.mark.parametrize("name", ["desk", "sheet", "submit_sheet", "stand_aside", "heard"])
    def test_the_wrong_method_is_refused(
        self, browser: Client, stage: Stage, hearing: Assignment, name: str
    ) -> None:
        assert browser.put(own_pages(stage, hearing)[name]).status_code == 405

    def test_before_the_round_opens_there_is_nothing(
        self, browser: Client, stage: Stage, hearing: Assignment
    ) -> None:
        Round.objects.update(state=RoundState.PREPARING)
        for name in ("desk", "sheet", "submit_sheet"):
            assert browser.get(own_pages(stage, hearing)[name]).status_code == 404

    def test_a_forged_form_is_refused(self, stage: Stage, hearing: Assignment, clock: Clock) -> None:
        client = Client(enforce_csrf_checks=True)
        client.force_login(stage.judges[0].member)
        assert send(client, sheet_of(hearing), scores(hearing)).status_code == 403
        assert not ScoreSheet.objects.exists()


class TestJudging:
    def test_it_lists_what_waits_by_when_and_how_long(self, make_stage: MakeStage, sign_in: SignIn) -> None:
        stage = make_stage(copies=True)
        page = sign_in(stage.judges[0].member).get(reverse("contests:judging")).content.decode()
        assert f"{stage.contest.title}, round 1" in page
        assert "3 of 3 mixes still to be scored" in page
        # Three times 3 min of writing and 1.2 s of music one and a half times: just over 9 min, said as 10.
        assert "about 10 minutes" in page
        assert "Sat 22 Mar 2031, 12:00 (UTC, Europe/Lisbon)" in page
        assert "not begun" in page

    def test_the_offset_is_the_contests(self, stage: Stage, browser: Client) -> None:
        stage.contest.zone = "America/St_Johns"
        stage.contest.save()
        # The IANA time zone data: Newfoundland is at −02:30 on that day of summer time.
        page = browser.get(reverse("contests:judging")).content.decode()
        assert "09:30 (UTC−02:30, America/St_Johns)" in page

    def test_it_says_when_all_is_done(self, stage: Stage, browser: Client) -> None:
        Assignment.objects.update(state=HearingState.SUBMITTED)
        page = browser.get(reverse("contests:judging")).content.decode()
        assert "All 3 sheets are submitted" in page

    def test_it_says_when_it_is_overdue(self, stage: Stage, browser: Client, clock: Clock) -> None:
        clock.now = stage.contest.judging_until
        assert "overdue" in browser.get(reverse("contests:judging")).content.decode()

    @pytest.mark.parametrize("state", [RoundState.PREPARING, RoundState.CLOSED])
    def test_rounds_that_are_not_open_do_not_wait(
        self, stage: Stage, browser: Client, state: RoundState
    ) -> None:
        Round.objects.update(state=state)
        page = browser.get(reverse("contests:judging")).content.decode()
        assert reverse("contests:desk", args=[stage.contest.slug, 1]) not in page
        assert "No round waits for you now" in page

    def test_it_is_empty_for_others(self, stage: Stage, sign_in: SignIn) -> None:
        page = sign_in(cast.member()).get(reverse("contests:judging")).content.decode()
        assert "No round waits for you now" in page

    def test_a_judge_finds_it_on_the_own_page(self, stage: Stage) -> None:
        (line,) = judging(stage.judges[0].member)
        assert (line.title, line.address) == ("Judging", "/contests/judging/")
        assert judging(stage.entries[0].member) == []


class TestDesk:
    def test_every_mix_has_a_sheet_and_one_is_in_sight(
        self, browser: Client, stage: Stage, hearing: Assignment
    ) -> None:
        page = browser.get(desk_of(stage)).content.decode()
        for one in stage.hearings(stage.judges[0]):
            assert f'action="{sheet_of(one)}"' in page
        assert page.count("data-desk-sheet=") == 3
        assert page.count('data-desk-sheet="' + hearing.code + '">') == 1  # the others are hidden

    def test_it_begins_where_the_judge_left(self, browser: Client, stage: Stage) -> None:
        first, second, _ = stage.hearings(stage.judges[0])
        Assignment.objects.filter(pk=first.pk).update(state=HearingState.SUBMITTED)
        page = browser.get(desk_of(stage)).content.decode()
        assert f'data-desk-open="{second.code}" aria-current="true"' in page

    def test_progress_is_said_and_drawn(self, browser: Client, stage: Stage, hearing: Assignment) -> None:
        Assignment.objects.filter(pk=hearing.pk).update(state=HearingState.SUBMITTED)
        page = browser.get(desk_of(stage)).content.decode()
        assert "1 of 3 sheets submitted." in page
        assert '<progress max="3" value="1"' in page

    def test_what_was_left_is_not_counted(self, browser: Client, stage: Stage, hearing: Assignment) -> None:
        Assignment.objects.filter(pk=hearing.pk).update(state=HearingState.STOOD_ASIDE)
        assert "0 of 2 sheets submitted." in browser.get(desk_of(stage)).content.decode()

    def test_an_entry_that_the_host_took_out_is_gone(
        self, browser: Client, stage: Stage, hearing: Assignment
    ) -> None:
        Entry.objects.filter(pk=hearing.entry_id).update(state=EntryState.DISQUALIFIED)
        assert hearing.code not in browser.get(desk_of(stage)).content.decode()
        assert browser.get(sheet_of(hearing)).status_code == 404

    def test_without_copies_it_says_so(self, browser: Client, stage: Stage) -> None:
        page = browser.get(desk_of(stage)).content.decode()
        assert "the copies of your mixes are not ready" in page
        assert "data-booth" not in page

    def test_the_rubric_is_on_each_sheet(self, browser: Client, stage: Stage) -> None:
        page = browser.get(desk_of(stage)).content.decode()
        assert page.count("From 1 to 10 in steps of 0.5.") == 6
        assert "60% of the whole" in page

    def test_a_closed_round_is_there_to_be_read(self, browser: Client, stage: Stage) -> None:
        Round.objects.update(state=RoundState.CLOSED)
        page = browser.get(desk_of(stage)).content.decode()
        assert "The host has closed this round" in page
        assert page.count("<fieldset data-sheet-fields disabled>") == 3

    @pytest.mark.parametrize("page", ["desk", "judging"])
    def test_the_number_of_queries_does_not_grow(
        self, make_stage: MakeStage, sign_in: SignIn, page: str
    ) -> None:
        counts = []
        for entrants in (["Ansa Merrow", "Bero Lund"], [f"Entrant {number}" for number in range(9)]):
            stage = make_stage(judges=["Ruy Halden", "Ilse Vanner"], entrants=entrants, copies=True)
            client = sign_in(stage.judges[0].member)
            for one in stage.hearings(stage.judges[0]):
                client.post(sheet_of(one), scores(one) | {"comment": "Clear."})
            address = desk_of(stage) if page == "desk" else reverse("contests:judging")
            with CaptureQueriesContext(
                connection,
            ) as queries:
                assert client.get(address).status_code == 200
            counts.append(len(queries))
        assert counts[0] == counts[1]


class TestSheetForm:
    """Without script."""

    def test_it_saves_and_goes_back_to_the_desk(
        self, browser: Client, stage: Stage, hearing: Assignment
    ) -> None:
        response = browser.post(sheet_of(hearing), scores(hearing) | {"comment": "Clear.\r\nWide."})
        assert response["Location"] == desk_of(stage)
        assert ScoreSheet.objects.get().comment == "Clear.\nWide."
        page = browser.get(sheet_of(hearing)).content.decode()
        assert 'value="7.5"' in page
        assert "Clear.\nWide.</textarea>" in page
        assert "begun" in page

    def test_a_refusal_shows_what_was_typed(self, browser: Client, hearing: Assignment) -> None:
        response = browser.post(sheet_of(hearing), scores(hearing, "7.3") | {"comment": "Not lost."})
        page = response.content.decode()
        assert response.status_code == 422
        assert "Balance: 7.3 is not on its scale" in page
        assert 'value="7.3"' in page
        assert "Not lost." in page

    def test_submitting_seals(self, browser: Client, hearing: Assignment) -> None:
        address = reverse("contests:submit_sheet", args=[hearing.code])
        response = browser.post(address, scores(hearing) | {"comment": "Clear."}, follow=True)
        assert "Your sheet for mix A is submitted." in response.content.decode()
        page = browser.get(sheet_of(hearing)).content.decode()
        assert "Submitted and sealed." in page
        assert "<fieldset data-sheet-fields disabled>" in page
        again = browser.post(sheet_of(hearing), scores(hearing, "1"))
        assert again.status_code == 422
        assert 'value="7.5"' in again.content.decode()  # what stands, not what was typed
        assert kept_scores(hearing) == {"Balance": Decimal("7.5"), "Depth": Decimal("7.5")}

    def test_a_missing_score_is_named_and_nothing_is_lost(self, browser: Client, hearing: Assignment) -> None:
        rubric = list(hearing.round.contest.criteria.all())
        fields = {f"score-{rubric[0].pk}": "8", f"score-{rubric[1].pk}": "", "comment": "Clear."}
        response = browser.post(reverse("contests:submit_sheet", args=[hearing.code]), fields)
        assert response.status_code == 422
        assert "One score is still missing: Depth" in response.content.decode()
        assert ScoreSheet.objects.get().comment == "Clear."

    def test_an_older_window_is_told(self, browser: Client, hearing: Assignment, clock: Clock) -> None:
        browser.post(sheet_of(hearing), {"comment": "One.", "based_on": ""})
        response = browser.post(sheet_of(hearing), {"comment": "Other.", "based_on": ""})
        assert response.status_code == 422
        page = response.content.decode()
        assert "changed in another window" in page
        assert "Other.</textarea>" in page
        assert ScoreSheet.objects.get().comment == "One."

    def test_standing_aside_says_nothing_of_whose_it_was(
        self, browser: Client, stage: Stage, hearing: Assignment
    ) -> None:
        address = reverse("contests:stand_aside", args=[hearing.code])
        page = browser.post(address, follow=True).content.decode()
        assert "You stood aside from mix A." in page
        assert stage.entries[0].member.name not in page
        assert browser.post(address).status_code == 422

    def test_words_are_written_as_text(self, browser: Client, hearing: Assignment) -> None:
        browser.post(sheet_of(hearing), {"comment": "</textarea><b>bold</b>"})
        assert "<b>bold" not in browser.get(sheet_of(hearing)).content.decode()


class TestSheetScript:
    """What the script sends and is told."""

    def test_a_save_is_answered_with_the_state(
        self, browser: Client, hearing: Assignment, clock: Clock
    ) -> None:
        answer = send(browser, sheet_of(hearing), scores(hearing) | {"based_on": "", "comment": "Clear."})
        assert answer.status_code == 200
        revision = str(int(clock.now.timestamp()) * 1_000_000)
        assert answer.json() == {
            "state": "waiting",
            "state_words": "begun",
            "state_shape": "",
            "is_open": True,
            "revision": revision,
            "submitted": 0,
            "needed": 3,
            "given": 3,
            "about_min": 10,  # 3 x 3 min of writing, and nothing to hear; up to whole five minutes
            "message": "Your sheet for mix A is saved.",
        }

    def test_a_seal_is_answered_with_the_progress(self, browser: Client, hearing: Assignment) -> None:
        send(browser, sheet_of(hearing), scores(hearing))
        answer = send(browser, reverse("contests:submit_sheet", args=[hearing.code]), {}).json()
        assert (answer["state"], answer["is_open"]) == ("submitted", False)
        assert (answer["submitted"], answer["needed"]) == (1, 3)

    def test_another_windows_words_come_back(
        self, browser: Client, hearing: Assignment, clock: Clock
    ) -> None:
        first = send(browser, sheet_of(hearing), {"comment": "One.", "based_on": ""}).json()
        clock.now += timedelta(seconds=5)
        send(browser, sheet_of(hearing), {"comment": "Two.", "based_on": first["revision"]})
        answer = send(browser, sheet_of(hearing), {"comment": "Three.", "based_on": first["revision"]})
        assert answer.status_code == 409
        assert answer.json()["fields"] == scores(hearing, "") | {
            "comment": "Two.",
            "private_note": "",
            "notes": "all",
        }
        assert answer.json()["revision"] != first["revision"]

    def test_a_closed_round_says_so(self, browser: Client, hearing: Assignment) -> None:
        Round.objects.update(state=RoundState.CLOSED)
        answer = send(browser, sheet_of(hearing), {"comment": "Late."})
        assert answer.status_code == 422
        assert "The host has closed this round" in answer.json()["message"]

    @pytest.mark.parametrize("body", ["{", "[]", "7", "null", '"text"', "[" * 5_000, "\xff", "1" * 5_000])
    def test_junk_is_refused_in_words(
        self, browser: Client, stage: Stage, hearing: Assignment, body: str
    ) -> None:
        pages = own_pages(stage, hearing)
        for name in ("sheet", "submit_sheet", "heard"):
            blob = body.encode("latin-1")
            answer = browser.generic("POST", pages[name], blob, content_type="application/json")
            assert answer.status_code == 422
            assert "could not be read" in answer.json()["message"]
        assert not ScoreSheet.objects.exists()


class TestHeard:
    def told(self, client: Client, stage: Stage, fields: Any) -> int:
        address = reverse("contests:heard", args=[stage.contest.slug, 1])
        status: int = send(client, address, fields).status_code
        return status

    def test_it_keeps_the_most_that_was_told(
        self, browser: Client, stage: Stage, hearing: Assignment
    ) -> None:
        for told_s, plays in ((12.5, 1), (30, 3), (20.0, 2)):
            assert self.told(browser, stage, {hearing.code: {"seconds": told_s, "plays": plays}}) == 204
        hearing.refresh_from_db()
        assert (hearing.heard_s, hearing.plays) == (30.0, 3)
        page = browser.get(desk_of(stage)).content.decode()
        assert 'data-heard-s="30.0" data-plays="3"' in page

    @pytest.mark.parametrize("junk", [-1, "30", None, [], 1e9, float("nan"), float("inf"), 10**400])
    def test_what_is_no_length_of_time_is_passed_over(
        self, browser: Client, stage: Stage, hearing: Assignment, junk: object
    ) -> None:
        for what in (
            junk,
            {"seconds": junk, "plays": 1},
            {"seconds": 30.0, "plays": junk},
            {"seconds": 30.0},
        ):
            assert self.told(browser, stage, {hearing.code: what}) == 204
        hearing.refresh_from_db()
        assert (hearing.heard_s, hearing.plays) == (0.0, 0)
        assert self.told(browser, stage, {hearing.code: {"seconds": 30.0, "plays": 1}}) == 204
        hearing.refresh_from_db()
        assert hearing.heard_s == 30.0  # so it was the junk

    def test_hearings_of_others_are_left_alone(self, browser: Client, stage: Stage) -> None:
        other = stage.hearings(stage.judges[1])[0]
        said = {"seconds": 30.0, "plays": 1}
        assert self.told(browser, stage, {other.code: said, "nothing": said}) == 204
        other.refresh_from_db()
        assert other.heard_s == 0.0

    def test_a_closed_round_keeps_nothing_more(
        self, browser: Client, stage: Stage, hearing: Assignment
    ) -> None:
        Round.objects.update(state=RoundState.CLOSED)
        self.told(browser, stage, {hearing.code: {"seconds": 30.0, "plays": 1}})
        hearing.refresh_from_db()
        assert hearing.heard_s == 0.0


def test_a_judge_of_two_rounds_has_both(stage: Stage, browser: Client) -> None:
    assert Judge.objects.count() == 3
    second = Round.objects.create(
        contest=stage.contest, number=2, hearings_per_entry=2, seed=2, state=RoundState.JUDGING
    )
    Assignment.objects.create(
        round=second, judge=stage.judges[0], entry=stage.entries[0], position=0, label="A", code="x" * 24
    )
    page = browser.get(reverse("contests:judging")).content.decode()
    assert "round 1" in page
    assert "round 2" in page
    assert browser.get(reverse("contests:desk", args=[stage.contest.slug, 2])).status_code == 200
