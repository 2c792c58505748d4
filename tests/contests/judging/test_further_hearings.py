"""A hearing that comes later cannot be told from the others, and leaves what is begun alone."""

from __future__ import annotations

from random import Random

import pytest
from django.db import transaction
from django.test import Client
from django.urls import reverse

from contests.judging.assigning import letters
from contests.judging.filling_up import hear_again
from contests.models import Assignment, Judge, Round, ScoreSheet
from contests.scoring.assigning import REPEAT_DISTANCE
from contests.states import HearingState
from tests.contests import stages
from tests.contests.judging.quiet_rounds import by_name, opened
from tests.contests.stages import AFTER_THE_CLOSE

pytestmark = pytest.mark.django_db

Known = tuple[int, str, str]
"""What a judge may have noted of a hearing: its position, its letter, its code."""


@pytest.fixture
def stage() -> stages.Stage:
    return by_name()


def begin(hearing: Assignment, how: str) -> None:
    """Make a hearing known to its judge, or let the judge leave it."""
    if how == "draft":
        ScoreSheet.objects.create(assignment=hearing, saved_at=AFTER_THE_CLOSE)
    changes = {
        "draft": {},
        "heard": {"heard_s": 3.5},
        "played": {"plays": 1},
        "submitted": {"state": HearingState.SUBMITTED},
        "left": {"state": HearingState.STOOD_ASIDE},
    }[how]
    if changes:
        Assignment.objects.filter(pk=hearing.pk).update(**changes)


def at_work(round_: Round, seed: int) -> set[int]:
    """Each judge has begun a part of the list, in any order; the hearings that are begun or left."""
    draw, known = Random(seed), set()
    for judge in round_.contest.judges.all():
        own = list(round_.assignments.filter(judge=judge).order_by("position"))
        for hearing in own[: draw.randint(0, len(own))]:
            how = draw.choice(["draft", "heard", "played", "submitted", "left", "not"])
            if how != "not":
                begin(hearing, how)
                known.add(hearing.pk)
    return known


def known_of(round_: Round, hearings: set[int]) -> dict[int, Known]:
    rows = round_.assignments.filter(pk__in=hearings)
    return {one.pk: (one.position, one.label, one.code) for one in rows}


def again(stage: stages.Stage, round_: Round, *entries: int) -> list[Assignment]:
    """Those entries are heard once more; the new hearings."""
    before = set(round_.assignments.values_list("pk", flat=True))
    receipts = [stage.entries[number].receipt for number in entries]
    hear_again(round_, receipts, actor=stage.host, now=AFTER_THE_CLOSE, reason="At the line.")
    return list(round_.assignments.exclude(pk__in=before).select_related("judge"))


def own_of(round_: Round, judge: Judge) -> list[Assignment]:
    return list(round_.assignments.filter(judge=judge).order_by("position"))


class TestFurtherHearings:
    def test_nothing_that_is_begun_moves_and_no_code_changes(self, stage):
        for seed in range(25):
            round_ = opened(stage, seed)
            begun = at_work(round_, seed)
            known = known_of(round_, begun)
            codes = {one.pk: (one.entry_id, one.code) for one in round_.assignments.all()}
            orders = {judge.pk: [one.pk for one in own_of(round_, judge)] for judge in stage.judges}
            new = again(stage, round_, *Random(seed).sample(range(16), 5))
            assert len(new) == 5
            assert known_of(round_, begun) == known
            news = {one.pk for one in new}
            for judge in stage.judges:
                own = own_of(round_, judge)
                # A gap or a letter out of turn would tell where something came in.
                assert [one.position for one in own] == list(range(len(own)))
                assert [one.label for one in own] == [letters(at) for at in range(len(own))]
                stayed = [one.pk for one in own if one.pk not in news]
                waiting = [pk for pk in orders[judge.pk] if pk not in begun]
                assert [pk for pk in stayed if pk not in begun] == waiting
                last = max((one.position for one in own if one.pk in begun and not left(one)), default=-1)
                assert all(one.position > last for one in own if one.pk in news)
                for first in own:
                    for second in own:
                        if first.entry_id == second.entry_id and first.repeat < second.repeat:
                            assert second.position - first.position >= REPEAT_DISTANCE
            assert {pk: codes[pk] for pk in codes} == {
                one.pk: (one.entry_id, one.code) for one in round_.assignments.exclude(pk__in=news)
            }

    def test_the_same_seed_draws_the_same_orders(self, stage):
        def drawn(seed: int) -> list[list[int]]:
            point = transaction.savepoint()
            round_ = opened(stage, seed)
            again(stage, round_, 1, 2, 3, 4)
            orders = [[one.entry_id for one in own_of(round_, judge)] for judge in stage.judges]
            transaction.savepoint_rollback(point)
            return orders

        assert drawn(3) == drawn(3)
        assert drawn(3) != drawn(4)

    def test_the_last_letter_is_a_new_one_no_more_often_than_by_chance(self, stage):
        """Each list has n hearings, so an even draw puts the new one last once in n times.

        Forty draws at n of 9 or 10 give 4 on average; 14 or more come less than once in 10,000 (binomial).
        """
        last = 0
        for seed in range(40):
            round_ = opened(stage, seed, repeats=0)
            (new,) = again(stage, round_, seed % 16)
            last += new.position == len(own_of(round_, new.judge)) - 1
        assert last < 14

    def test_the_judges_page_shows_nothing_of_it(self, stage):
        round_ = opened(stage, 5)
        (new,) = again(stage, round_, 7)
        client = Client()
        client.force_login(new.judge.member)
        page = client.get(reverse("contests:desk", args=[stage.contest.slug, round_.number]))
        sheets = page.context["desk"].sheets
        (same,) = [one for one in sheets if one.code == new.code]
        for other in sheets:
            assert (other.state, other.state_words, other.is_open) == (
                same.state,
                same.state_words,
                same.is_open,
            )

    def test_a_sheet_begun_on_a_page_that_is_out_of_date_goes_to_the_mix_that_was_heard(self, stage):
        round_ = opened(stage, 5)
        before = {one.code: one.entry_id for one in round_.assignments.all()}
        new = again(stage, round_, 7, 8, 9)
        moved = round_.assignments.filter(judge=new[0].judge).exclude(pk__in=[one.pk for one in new]).last()
        client = Client()
        client.force_login(moved.judge.member)
        answer = client.post(
            reverse("contests:sheet", args=[moved.code]),
            {"comment": "Warm."},
            content_type="application/json",
        )
        assert answer.status_code == 200
        assert ScoreSheet.objects.get().assignment.entry_id == before[moved.code]
        # By this number the page sees that its list is not whole any more.
        assert answer.json()["given"] == round_.assignments.filter(judge=moved.judge).count()


def left(hearing: Assignment) -> bool:
    """Whether the judge stood aside from it without having heard it."""
    return hearing.state == HearingState.STOOD_ASIDE and not hearing.heard_s
