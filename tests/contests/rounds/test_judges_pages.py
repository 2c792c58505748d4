"""What a judge does in a round of sorting and in a final with an order, by the pages without script."""

from __future__ import annotations

import pytest
from django.test import Client
from django.urls import reverse

from contests.judging import sheets
from contests.judging.assigning import new_hearing
from contests.models import JudgeOrder, Round, RoundKind
from contests.results import standings
from contests.results.standings import orders_of
from contests.states import HearingState, RoundState
from tests import cast
from tests.contests.judging.conftest import MakeStage, entry, make_stage, sign_in  # noqa: F401  fixtures

pytestmark = pytest.mark.django_db


@pytest.fixture
def sorting(make_stage: MakeStage):  # noqa: F811
    """Three judges, four entries, two hearings each, to be sorted."""
    stage = make_stage()
    Round.objects.filter(pk=stage.round.pk).update(kind=RoundKind.SORTING, goes_on=2)
    stage.round.refresh_from_db()
    return stage


@pytest.fixture
def final(make_stage: MakeStage):  # noqa: F811
    """The same as a round that an order is asked for."""
    stage = make_stage(hearings=3)
    Round.objects.filter(pk=stage.round.pk).update(asks_order=True)
    stage.round.refresh_from_db()
    return stage


def browser(judge) -> Client:
    client = Client()
    client.force_login(judge.member)
    return client


def desk(round_) -> str:
    return reverse("contests:desk", args=[round_.contest.slug, round_.number])


def say(client, hearing, verdict):
    return client.post(reverse("contests:sheet", args=[hearing.code]), {"verdict": verdict})


class TestSorting:
    def test_the_sheet_asks_for_one_of_three_words_and_no_score(self, sorting):
        judge = sorting.judges[0]
        page = browser(judge).get(desk(sorting.round)).content.decode()
        assert page.count('name="verdict"') == 3 * len(sorting.hearings(judge))
        assert "score-" not in page
        assert "Sort each mix quickly" in page

    def test_a_verdict_is_kept_changed_and_taken_back_until_it_is_submitted(self, sorting):
        judge, client = sorting.judges[0], browser(sorting.judges[0])
        hearing = sorting.hearings(judge)[0]
        for verdict in ("keep", "pass", ""):
            assert say(client, hearing, verdict).status_code == 302
            hearing.refresh_from_db()
            assert hearing.sheet.verdict == verdict
            assert hearing.state == HearingState.WAITING
            hearing = type(hearing).objects.get(pk=hearing.pk)

    def test_another_word_is_refused(self, sorting):
        hearing = sorting.hearings(sorting.judges[0])[0]
        answer = say(browser(sorting.judges[0]), hearing, "maybe")
        assert answer.status_code == 422
        assert "not one of keep, unsure and pass" in answer.content.decode()

    def test_all_that_is_sorted_is_sealed_at_once_and_the_rest_stays_open(self, sorting):
        judge, client = sorting.judges[0], browser(sorting.judges[0])
        first, *others = sorting.hearings(judge)
        say(client, first, "keep")
        address = reverse("contests:submit_sorted", args=[sorting.contest.slug, 1])
        assert client.post(address).status_code == 302
        states = [one.state for one in sorting.hearings(judge)]
        assert states == [HearingState.SUBMITTED] + [HearingState.WAITING] * len(others)
        assert say(client, first, "pass").status_code == 422
        again = client.post(address)
        assert again.status_code == 422
        assert "Nothing is sorted" in again.content.decode()

    def test_without_a_verdict_a_sheet_is_not_sealed(self, sorting):
        hearing = sorting.hearings(sorting.judges[0])[0]
        answer = browser(sorting.judges[0]).post(reverse("contests:submit_sheet", args=[hearing.code]))
        assert answer.status_code == 422
        assert "Say keep, unsure or pass first" in answer.content.decode()

    def test_verdicts_make_the_standing(self, sorting):
        best = sorting.entries[0]
        for judge in sorting.judges:
            client = browser(judge)
            for hearing in sorting.hearings(judge):
                say(client, hearing, "keep" if hearing.entry_id == best.pk else "pass")
            client.post(reverse("contests:submit_sorted", args=[sorting.contest.slug, 1]))
        rows = standings.standing_of(sorting.contest).entries
        assert [(row.entry, row.place, row.adjusted) for row in rows[:2]] == [
            (str(best.pk), 1, pytest.approx(2)),
            (rows[1].entry, 2, pytest.approx(0)),
        ]

    def test_it_takes_less_time_than_scoring(self, sorting):
        page = browser(sorting.judges[0]).get(reverse("contests:judging")).content.decode()
        assert "about 5 minutes" in page

    def test_a_host_cannot_submit_for_a_judge(self, sorting):
        client = Client()
        client.force_login(cast.host())
        address = reverse("contests:submit_sorted", args=[sorting.contest.slug, 1])
        assert client.post(address).status_code == 404


class TestTheOrder:
    def places(self, hearings, order):
        return {hearing.code: str(place) for hearing, place in zip(hearings, order, strict=True)}

    def sealed(self, final, judge):
        hearings = final.hearings(judge)
        for hearing in hearings:
            fields = {f"score-{one.pk}": "7" for one in final.contest.criteria.all()}
            browser(judge).post(reverse("contests:submit_sheet", args=[hearing.code]), fields)
        return hearings

    def send(self, final, judge, places):
        address = reverse("contests:submit_order", args=[final.contest.slug, final.round.number])
        return browser(judge).post(address, places)

    def test_it_is_sealed_best_first(self, final):
        judge = final.judges[0]
        hearings = self.sealed(final, judge)
        assert self.send(final, judge, self.places(hearings, [2, 1, 4, 3])).status_code == 302
        kept = orders_of(final.round)[str(judge.pk)]
        assert kept == tuple(str(hearings[at].entry_id) for at in (1, 0, 3, 2))
        again = self.send(final, judge, self.places(hearings, [1, 2, 3, 4]))
        assert again.status_code == 422
        assert "sealed" in again.content.decode()
        assert JudgeOrder.objects.count() == 1

    def test_what_is_heard_after_it_was_sealed_has_no_place_in_it(self, final):
        judge = final.judges[0]
        self.send(final, judge, self.places(self.sealed(final, judge), [2, 1, 4, 3]))
        late = entry(final.contest, cast.member("Late Comer"))
        new_hearing(final.round, judge, late, 4).save()
        page = " ".join(browser(judge).get(desk(final.round)).content.decode().split())
        assert '<span class="key">D</span> place 3, <span class="key">E</span> not in it.' in page

    def test_it_waits_for_every_sheet(self, final):
        judge = final.judges[0]
        answer = self.send(final, judge, self.places(final.hearings(judge), [1, 2, 3, 4]))
        assert answer.status_code == 422
        assert "Submit every sheet first" in answer.content.decode()

    @pytest.mark.parametrize(
        ("order", "words"),
        [
            ([1, 1, 3, 4], "Given more than once: 1; missing: 2"),
            ([1, 2, 3, ""], "Missing: 4"),
            ([0, 1, 2, 3], "Missing: 4"),
            (["x", 2, 3, 4], "Missing: 1"),
        ],
    )
    def test_each_place_is_given_once_and_what_was_typed_stays(self, final, order, words):
        judge = final.judges[0]
        hearings = self.sealed(final, judge)
        answer = self.send(final, judge, self.places(hearings, order))
        assert answer.status_code == 422
        page = answer.content.decode()
        assert words in page
        for hearing, place in zip(hearings, order, strict=True):
            assert f'name="{hearing.code}" value="{place}"' in page
        assert not JudgeOrder.objects.exists()

    def test_a_mix_that_the_judge_left_is_not_ordered(self, final):
        judge = final.judges[0]
        left, *_ = final.hearings(judge)
        sheets.stand_aside(left)
        hearings = self.sealed(final, judge)[1:]
        assert self.send(final, judge, self.places(hearings, [3, 1, 2])).status_code == 302

    def test_no_order_where_none_is_asked_for_or_the_round_is_closed(self, final):
        judge = final.judges[0]
        hearings = self.sealed(final, judge)
        Round.objects.update(state=RoundState.CLOSED)
        assert self.send(final, judge, self.places(hearings, [1, 2, 3, 4])).status_code == 422
        Round.objects.update(state=RoundState.JUDGING, asks_order=False)
        assert self.send(final, judge, self.places(hearings, [1, 2, 3, 4])).status_code == 422
