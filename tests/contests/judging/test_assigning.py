"""Who hears what: orders, labels, codes, conflicts, refusals."""

from __future__ import annotations

import re
from collections import Counter
from datetime import timedelta

import pytest
from scipy.stats import spearmanr

from analysis.listening.models import ListeningCopy, MatchPlan
from contests.judging.assigning import AssignRefused, assign_round, letters
from contests.models import Assignment, Contest, Decision, Entry, Judge, Round
from contests.states import ContestState, EntryState, RoundState
from tests import cast
from tests.contests.judging.conftest import entry

pytestmark = pytest.mark.django_db

NAMES = ["Ansa Merrow", "Bero Lund", "Cato Wick", "Dunja Ferro", "Egon Tal", "Fenna Brill"]


def made(*, entries: int = 6, judges: int = 4, hearings: int = 2, seed: int = 1) -> Round:
    """A round in preparation."""
    contest = cast.contest(state=ContestState.CLOSED)
    for number in range(judges):
        cast.judge(contest, f"Judge {number}")
    for number in range(entries):
        entry(contest, cast.member(NAMES[number]), received_at=cast.NOW + timedelta(hours=number))
    return Round.objects.create(contest=contest, hearings_per_entry=hearings, seed=seed)


def orders(round_: Round) -> dict[int, list[int]]:
    """Each judge's entries in the order of listening."""
    found: dict[int, list[int]] = {}
    for hearing in round_.assignments.order_by("judge", "position"):
        found.setdefault(hearing.judge_id, []).append(hearing.entry_id)
    return found


class TestAssignRound:
    def test_every_entry_gets_its_hearings_and_loads_are_even(self) -> None:
        round_ = made()
        assign_round(round_, cast.NOW)
        heard = Counter(round_.assignments.values_list("entry", flat=True))
        assert set(heard.values()) == {2}
        assert {len(order) for order in orders(round_).values()} == {3}

    def test_only_ready_entries_are_heard(self) -> None:
        round_ = made(judges=2)
        states = [EntryState.ATTENTION, EntryState.WITHDRAWN, EntryState.DISQUALIFIED, EntryState.CHECKING]
        for one, state in zip(round_.contest.entries.order_by("pk"), states, strict=False):
            Entry.objects.filter(pk=one.pk).update(state=state)
        assign_round(round_, cast.NOW)
        ready = set(round_.contest.entries.filter(state=EntryState.READY).values_list("pk", flat=True))
        assert len(ready) == 2
        assert set(round_.assignments.values_list("entry", flat=True)) == ready

    def test_labels_and_positions_follow_each_judges_own_order(self) -> None:
        round_ = made()
        assign_round(round_, cast.NOW)
        for judge in round_.contest.judges.all():
            hearings = round_.assignments.filter(judge=judge).order_by("position")
            assert [(one.position, one.label) for one in hearings] == [(0, "A"), (1, "B"), (2, "C")]

    def test_judges_who_hear_the_same_differ_in_order_and_label(self) -> None:
        round_ = made(judges=2, hearings=2)
        assign_round(round_, cast.NOW)
        first, second = orders(round_).values()
        assert sorted(first) == sorted(second)
        assert first != second
        labels = {}
        for hearing in round_.assignments.all():
            labels.setdefault(hearing.entry_id, set()).add(hearing.label)
        assert any(len(found) == 2 for found in labels.values())

    def test_codes_are_long_random_and_of_one_hearing_only(self) -> None:
        round_ = made()
        assign_round(round_, cast.NOW)
        first = set(round_.assignments.values_list("code", flat=True))
        assert len(first) == 12
        # RFC 4648, clause 5: four letters for three bytes, from the alphabet that is safe in addresses.
        assert all(re.fullmatch(r"[A-Za-z0-9_-]{24}", code) for code in first)
        second_round = Round.objects.create(contest=round_.contest, number=2, hearings_per_entry=2, seed=1)
        assign_round(second_round, cast.NOW)
        assert first.isdisjoint(second_round.assignments.values_list("code", flat=True))

    def test_the_same_seed_draws_the_same_plan_with_new_codes(self) -> None:
        round_ = made()
        assign_round(round_, cast.NOW)
        plan, codes = orders(round_), set(round_.assignments.values_list("code", flat=True))
        assign_round(round_, cast.NOW)
        assert orders(round_) == plan
        assert codes.isdisjoint(round_.assignments.values_list("code", flat=True))

    def test_the_order_has_nothing_to_do_with_the_time_of_upload(self) -> None:
        round_ = made(entries=6, judges=1, hearings=1)
        uploaded = list(round_.contest.entries.order_by("received_at").values_list("pk", flat=True))
        found = []
        for seed in range(200):
            Round.objects.filter(pk=round_.pk).update(seed=seed)
            assign_round(round_, cast.NOW)
            (order,) = orders(round_).values()
            found.append(spearmanr(range(6), [order.index(pk) for pk in uploaded]).statistic)
        # Without a relation, Spearman's coefficient has variance 1/(n − 1) (textbook, value from memory):
        # the mean of 200 has the standard deviation 0.032, so 0.1 is three of them.
        assert abs(sum(found) / len(found)) < 0.1
        assert min(found) < -0.5
        assert max(found) > 0.5

    def test_a_judge_who_entered_never_gets_the_own_entry(self) -> None:
        round_ = made(judges=2)
        own = round_.contest.entries.first()
        Judge.objects.create(contest=round_.contest, member=own.member)
        for seed in range(20):
            Round.objects.filter(pk=round_.pk).update(seed=seed)
            assign_round(round_, cast.NOW)
            assert not Assignment.objects.filter(judge__member=own.member, entry=own).exists()
            assert Assignment.objects.filter(entry=own).count() == 2

    def test_it_is_recorded(self) -> None:
        round_, host = made(), cast.host()
        assign_round(round_, cast.NOW, actor=host)
        line = Decision.objects.get()
        assert (line.action, line.actor) == ("hearings assigned", host)
        assert line.details == {"round": 1, "entries": 6, "loads": [3, 3, 3, 3]}


class TestRefusals:
    def test_too_few_judges(self) -> None:
        round_ = made(judges=2, hearings=3)
        with pytest.raises(AssignRefused, match="3 hearings an entry need 3 judges; there are 2"):
            assign_round(round_, cast.NOW)
        assert not Assignment.objects.exists()
        assert not Decision.objects.exists()

    def test_an_entry_that_too_few_may_hear_is_named_by_its_receipt(self) -> None:
        round_ = made(judges=1, hearings=2)
        own = round_.contest.entries.first()
        Judge.objects.create(contest=round_.contest, member=own.member)
        with pytest.raises(AssignRefused, match=own.receipt):
            assign_round(round_, cast.NOW)

    def test_no_entries_and_no_judges(self) -> None:
        with pytest.raises(AssignRefused, match=r"no entries(.|\n)*no judges"):
            assign_round(made(entries=0, judges=0), cast.NOW)

    @pytest.mark.parametrize("state", [RoundState.JUDGING, RoundState.CLOSED])
    def test_a_round_that_has_opened_keeps_its_hearings(self, state: RoundState) -> None:
        round_ = made()
        assign_round(round_, cast.NOW)
        codes = set(round_.assignments.values_list("code", flat=True))
        Round.objects.filter(pk=round_.pk).update(state=state)
        with pytest.raises(AssignRefused, match="its hearings stay"):
            assign_round(round_, cast.NOW)
        assert set(round_.assignments.values_list("code", flat=True)) == codes

    def test_judges_of_one_name_are_told_apart(self) -> None:
        round_ = made(judges=0)
        for _ in range(2):
            cast.judge(round_.contest, "Ruy Halden")
        assign_round(round_, cast.NOW)
        assert len(orders(round_)) == 2


def planned(contest: Contest, entries: list[Entry]) -> MatchPlan:
    """A match plan over some entries."""
    plan = MatchPlan.objects.create(
        wished_lufs=-18.0, ceiling_dbtp=-1.0, rate_hz=48_000, frames=1, segment_frames=1, planned_at=cast.NOW
    )
    for one in entries:
        ListeningCopy.objects.create(plan=plan, recording=one.recording, gain_db=0.0)
    return plan


class TestWithAPlan:
    def test_a_first_round_refuses_a_plan_that_leaves_an_entry_out(self) -> None:
        round_ = made()
        *most, last = round_.contest.entries.order_by("pk")
        round_.plan = planned(round_.contest, most)
        round_.save()
        with pytest.raises(AssignRefused, match=f"not in this round's match plan: {last.receipt}"):
            assign_round(round_, cast.NOW)

    def test_a_final_is_about_the_entries_of_its_plan(self) -> None:
        round_ = made()
        finalists = list(round_.contest.entries.order_by("pk"))[:2]
        final = Round.objects.create(
            contest=round_.contest,
            number=2,
            hearings_per_entry=4,
            seed=1,
            plan=planned(round_.contest, finalists),
        )
        assign_round(final, cast.NOW)
        assert set(final.assignments.values_list("entry", flat=True)) == {one.pk for one in finalists}


class TestLetters:
    @pytest.mark.parametrize(
        ("number", "label"),
        [(0, "A"), (25, "Z"), (26, "AA"), (51, "AZ"), (52, "BA"), (701, "ZZ"), (702, "AAA")],
    )
    def test_they_go_on_after_z(self, number: int, label: str) -> None:
        assert letters(number) == label

    def test_none_comes_twice(self) -> None:
        assert len({letters(number) for number in range(5_000)}) == 5_000
