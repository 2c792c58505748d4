"""Who gets which prize: what a place names, what the host has to decide, and what nobody hears before."""

from __future__ import annotations

from decimal import Decimal

import pytest

from academy.members import leaving
from contests import decisions
from contests.models import Award, Prize
from contests.prizes import giving
from contests.prizes.claims import claims_of
from contests.prizes.pool import pool_of
from contests.prizes.refusals import PrizeRefused
from contests.results.exporting import export_of
from tests.contests import stages
from tests.contests.prizes.conftest import A_DAY, B_AND_C_TIED, NOW, award_of, decided, letters_of

pytestmark = pytest.mark.django_db


def give(won, title, letter, *, reason=""):
    prize = won.contest.prizes.get(title=title)
    return giving.give(prize.pk, won.entries[letter].receipt, actor=won.host, now=NOW, reason=reason)


def claim_to(won, title):
    return next(claim for claim in claims_of(won.contest) if claim.prize.title == title)


class TestPool:
    def test_totals_stand_by_currency_and_are_exact(self, won):
        won.prize("A lamp", special="Boldest", value=Decimal("0.10"), currency="EUR")
        won.prize("A chair", is_choice=True, value=Decimal("0.20"), currency="EUR")
        won.prize("Praise", special="Kindest")  # no value
        pool = pool_of(won.contest, shows_winners=False)
        # Exact sums: as binary fractions 300 + 0.1 + 0.2 is not 300.3.
        assert pool.totals == [("CHF", Decimal("90.00")), ("EUR", Decimal("300.30"))]
        assert [one.prize.title for one in pool.by_place] == ["Cables", "Strings"]
        assert [one.prize.title for one in pool.to_choose] == ["A chair"]
        assert [one.prize.title for one in pool.special] == ["A lamp", "Praise"]


class TestByPlace:
    def test_clear_ones_are_planned_before_publication_and_nobody_is_told(self, won):
        assert giving.give_by_place(won.contest.pk, actor=won.host, now=NOW) == 2
        assert {(one.prize.title, one.entry, one.state) for one in Award.objects.all()} == {
            ("Cables", won.entries["A"], "planned"),
            ("Strings", won.entries["B"], "planned"),
        }
        assert letters_of("prize-told") == []
        assert won.actions() == ["prize planned", "prize planned"]

    def test_publishing_tells_them_once(self, won):
        giving.give_by_place(won.contest.pk, actor=won.host, now=NOW)
        won.publish()
        won.publish()
        told = letters_of("prize-told")
        assert [letter.address for letter in told] == [won.member("A").email, won.member("B").email]
        assert award_of("Cables").state == "told"
        assert award_of("Cables").confirm_by == NOW + 14 * A_DAY

    def test_after_publication_they_are_told_at_once(self, won):
        won.publish()
        giving.give_by_place(won.contest.pk, actor=won.host, now=NOW)
        assert len(letters_of("prize-told")) == 2
        assert giving.give_by_place(won.contest.pk, actor=won.host, now=NOW) == 0
        assert won.actions() == ["prize given", "prize given"]

    def test_before_the_decision_it_is_refused(self):
        stage, _ = stages.judged_by_table({"J1": {"A": 9, "B": 7}})
        prize = Prize.objects.create(contest=stage.contest, place=1, title="Cables")
        with pytest.raises(PrizeRefused, match="once the result is decided"):
            giving.give_by_place(stage.contest.pk, actor=stage.host, now=NOW)
        with pytest.raises(PrizeRefused, match="once the result is decided"):
            giving.give(prize.pk, stage.entries[0].receipt, actor=stage.host, now=NOW)


class TestTies:
    def test_the_prizes_of_a_shared_place_are_pooled_and_nothing_happens_by_itself(self):
        won = decided(B_AND_C_TIED)
        for place in (1, 2, 3, 4):
            won.prize(f"Prize {place}", place=place)
        assert giving.give_by_place(won.contest.pk, actor=won.host, now=NOW) == 2  # places 1 and 4
        for title in ("Prize 2", "Prize 3"):
            claim = claim_to(won, title)
            assert claim.entry is None
            assert set(claim.tied) == {won.entries["B"], won.entries["C"]}
            assert "Place 2 is shared by 2 entries" in claim.obstacle
            assert "pooled" in claim.obstacle

    def test_the_host_decides_with_a_reason(self):
        won = decided(B_AND_C_TIED)
        won.prize("Prize 2", place=2)
        with pytest.raises(PrizeRefused, match="Say why this entry gets it"):
            give(won, "Prize 2", "C")
        give(won, "Prize 2", "C", reason="Drawn in front of both.")
        line = won.contest.decisions.order_by("number").last()
        assert (line.action, line.reason) == ("prize planned", "Drawn in front of both.")
        assert line.details == {
            "prize": "Prize 2",
            "goes by": "Place 2",
            "entry": won.entries["C"].receipt,
        }

    def test_a_place_that_nobody_holds_says_so(self, won):
        won.prize("Fifth", place=5)
        assert claim_to(won, "Fifth").obstacle.startswith("No entry holds place 5.")


class TestGive:
    def test_a_special_prize_needs_a_reason(self, won):
        won.prize("A lamp", special="Boldest")
        with pytest.raises(PrizeRefused, match="by which criterion"):
            give(won, "A lamp", "D")
        assert give(won, "A lamp", "D", reason="Criterion Depth.").entry == won.entries["D"]

    def test_a_prize_has_one_holder(self, won):
        give(won, "Cables", "A")
        with pytest.raises(PrizeRefused, match="is with A Entrant already"):
            give(won, "Cables", "B", reason="Changed my mind.")
        assert Award.objects.count() == 1

    def test_an_entry_without_a_place_gets_none(self, won):
        prize = won.contest.prizes.get(title="Cables")
        with pytest.raises(PrizeRefused, match="no place in the result"):
            giving.give(prize.pk, "NO-SUCH", actor=won.host, now=NOW, reason="Why not.")

    def test_what_is_kept_back_is_recorded_and_can_still_be_given(self, won):
        prize = won.contest.prizes.get(title="Cables")
        with pytest.raises(PrizeRefused, match="promised in public"):
            giving.keep_back(prize.pk, actor=won.host, now=NOW, reason=" ")
        giving.keep_back(prize.pk, actor=won.host, now=NOW, reason="The sponsor withdrew.")
        assert not claim_to(won, "Cables").is_open
        assert giving.give_by_place(won.contest.pk, actor=won.host, now=NOW) == 1  # the strings only
        give(won, "Cables", "A")
        prize.refresh_from_db()
        assert not prize.is_kept_back
        assert won.actions() == ["prize kept back", "prize planned", "prize planned"]


class TestPassOn:
    def test_nobody_gets_it_by_itself(self, won):
        won.publish()
        award = give(won, "Cables", "A")
        with pytest.raises(PrizeRefused, match="Say why it passes on"):
            giving.pass_on(award.pk, actor=won.host, now=NOW, reason="")
        giving.pass_on(award.pk, actor=won.host, now=NOW, reason="No answer in three weeks.")
        claim = claim_to(won, "Cables")
        assert (claim.award, claim.entry) == (None, None)
        assert "A Entrant was passed over by you" in claim.obstacle
        assert giving.give_by_place(won.contest.pk, actor=won.host, now=NOW) == 1  # the strings only
        give(won, "Cables", "B", reason="The next in the result.")
        assert len(letters_of("prize-told")) == 3


class TestWhoLeft:
    def test_the_next_step_is_shown_and_not_taken(self, won):
        leaving.leave(won.member("A"), {}, now=NOW)
        assert claim_to(won, "Cables").obstacle == (
            "The entrant in place 1 has left the site. You decide what becomes of the prize."
        )
        assert giving.give_by_place(won.contest.pk, actor=won.host, now=NOW) == 1
        with pytest.raises(PrizeRefused, match="has left the site"):
            give(won, "Cables", "A", reason="It is theirs.")

    def test_a_planned_winner_who_left_is_not_told_and_not_named(self, won):
        giving.give_by_place(won.contest.pk, actor=won.host, now=NOW)
        leaving.leave(won.member("A"), {}, now=NOW)
        won.publish()
        assert award_of("Cables").state == "planned"
        assert len(letters_of("prize-told")) == 1
        named = {one.prize.title: one.holder for one in pool_of(won.contest, shows_winners=True).by_place}
        assert named == {"Cables": "", "Strings": "B Entrant"}


def test_the_export_holds_the_decisions_by_receipts_and_no_names(won):
    giving.give_by_place(won.contest.pk, actor=won.host, now=NOW)
    won.publish()
    assert decisions.first_broken_line(won.contest) is None
    text = export_of(won.contest).decode()
    assert "prize planned" in text
    assert won.entries["A"].receipt in text
    assert "A Entrant" not in text
