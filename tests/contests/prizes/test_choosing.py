"""Winners choose in order of place, one at a time; what is not clear waits for the host."""

from __future__ import annotations

import pytest

from academy.members import leaving
from contests.models import Turn
from contests.prizes import choosing, giving
from contests.prizes.refusals import PrizeRefused
from contests.states import TurnState
from tests.contests.prizes.conftest import (
    A_DAY,
    ADDRESS,
    B_AND_C_TIED,
    NOW,
    award_of,
    decided,
    letters_of,
)

pytestmark = pytest.mark.django_db


def pool(table=None):
    """A published contest with three prizes to choose."""
    won = decided(table) if table else decided()
    for title, handing in [("Lamp", "digital"), ("Chair", "shipped"), ("Desk", "digital")]:
        won.prize(title, is_choice=True, handing=handing)
    won.publish()
    return won


def ask(won, letter, *, reason="", days=7, now=NOW):
    return choosing.ask(
        won.contest.pk, won.entries[letter].receipt, days=days, actor=won.host, now=now, reason=reason
    )


def choose(won, letter, title, **fields):
    prize = won.contest.prizes.get(title=title)
    turn = Turn.objects.get(entry=won.entries[letter])
    return choosing.choose(turn.pk, prize.pk, actor=won.member(letter), now=NOW + A_DAY, **fields)


def turns(won):
    return [(turn.entry.member.name[0], turn.state) for turn in won.contest.turns.order_by("pk")]


class TestInOrder:
    def test_each_is_asked_in_turn_with_a_date(self):
        won = pool()
        turn = ask(won, "A")
        assert turn.choose_by == NOW + 7 * A_DAY
        assert choose(won, "A", "Desk").state == "confirmed"
        assert turns(won) == [("A", "chosen"), ("B", "asked")]
        assert Turn.objects.get(entry=won.entries["B"]).choose_by == NOW + 8 * A_DAY
        choose(won, "B", "Chair", address=ADDRESS)
        choose(won, "C", "Lamp")
        # Nothing is left, so the fourth is not asked.
        assert turns(won) == [("A", "chosen"), ("B", "chosen"), ("C", "chosen")]
        assert [letter.address for letter in letters_of("prize-choose")] == [
            won.member(letter).email for letter in "ABC"
        ]
        assert won.actions() == ["asked to choose"]

    def test_what_is_taken_is_not_left(self):
        won = pool()
        ask(won, "A")
        choose(won, "A", "Desk")
        with pytest.raises(PrizeRefused, match="not left"):
            choose(won, "B", "Desk")
        assert turns(won)[-1] == ("B", "asked")

    def test_a_prize_of_another_kind_cannot_be_chosen(self):
        won = pool()
        won.prize("Cables", place=4)
        ask(won, "A")
        with pytest.raises(PrizeRefused, match="not left"):
            choose(won, "A", "Cables")

    def test_one_by_post_wants_an_address_and_nothing_is_half_done(self):
        won = pool()
        ask(won, "A")
        with pytest.raises(PrizeRefused, match="where it is to be sent"):
            choose(won, "A", "Chair")
        assert turns(won) == [("A", "asked")]
        assert not won.contest.prizes.get(title="Chair").awards.exists()

    def test_a_choice_is_made_once(self):
        won = pool()
        ask(won, "A")
        choose(won, "A", "Desk")
        with pytest.raises(PrizeRefused, match="Look again"):
            choose(won, "A", "Lamp")


class TestNotClear:
    def test_out_of_order_needs_a_reason(self):
        won = pool()
        with pytest.raises(PrizeRefused, match="come before"):
            ask(won, "B")
        ask(won, "B", reason="A cannot be reached this month.")
        assert won.contest.decisions.order_by("number").last().reason == "A cannot be reached this month."

    def test_a_shared_place_stops_the_order_for_the_host(self):
        won = pool(B_AND_C_TIED)
        ask(won, "A")
        choose(won, "A", "Desk")
        assert turns(won) == [("A", "chosen")]
        with pytest.raises(PrizeRefused, match="share the place"):
            ask(won, "C")
        ask(won, "C", reason="Drawn by lot in front of both.")
        choose(won, "C", "Lamp")
        assert turns(won)[-1] == ("B", "asked")  # alone in the place now

    def test_somebody_who_left_stops_the_order(self):
        won = pool()
        leaving.leave(won.member("B"), {}, now=NOW)
        ask(won, "A")
        choose(won, "A", "Desk")
        assert turns(won) == [("A", "chosen")]
        with pytest.raises(PrizeRefused, match="has left the site"):
            ask(won, "B")
        ask(won, "C", reason="B has left.")

    def test_leaving_gives_the_turn_up(self):
        won = pool()
        ask(won, "A")
        lost = [line for one in leaving.partings_of(won.member("A"), now=NOW) for line in one.lost]
        assert any("Your turn to choose" in line for line in lost)
        leaving.leave(won.member("A"), {}, now=NOW)
        assert [state for _, state in turns(won)] == ["declined"]

    def test_declining_asks_nobody_by_itself(self):
        won = pool()
        turn = ask(won, "A")
        choosing.decline_turn(turn.pk, actor=won.member("A"), now=NOW)
        assert turns(won) == [("A", "declined")]

    def test_the_host_may_pass_on_with_a_reason(self):
        won = pool()
        turn = ask(won, "A")
        with pytest.raises(PrizeRefused, match="Say why"):
            choosing.pass_turn_on(turn.pk, actor=won.host, now=NOW, reason="")
        choosing.pass_turn_on(turn.pk, actor=won.host, now=NOW + 9 * A_DAY, reason="No answer.")
        turn.refresh_from_db()
        assert (turn.state, turn.ended_by, turn.ended_at) == (
            TurnState.PASSED_ON,
            won.host,
            NOW + 9 * A_DAY,
        )
        assert turns(won) == [("A", "passed_on")]
        with pytest.raises(PrizeRefused, match="had its turn"):
            ask(won, "A")

    def test_one_is_asked_at_a_time(self):
        won = pool()
        ask(won, "A")
        with pytest.raises(PrizeRefused, match="Somebody is choosing"):
            ask(won, "B", reason="Both at once.")
        lamp = won.contest.prizes.get(title="Lamp")
        with pytest.raises(PrizeRefused, match="A winner is choosing"):
            giving.give(lamp.pk, won.entries["D"].receipt, actor=won.host, now=NOW, reason="For D.")

    def test_before_publication_nobody_is_asked(self):
        won = decided()
        won.prize("Lamp", is_choice=True)
        with pytest.raises(PrizeRefused, match="once the result is published"):
            ask(won, "A")
        assert letters_of("prize-choose") == []

    def test_a_declined_choice_can_be_given_by_the_host(self):
        won = pool()
        ask(won, "A")
        choose(won, "A", "Desk")
        turn = Turn.objects.get(entry=won.entries["B"])
        choosing.decline_turn(turn.pk, actor=won.member("B"), now=NOW)
        lamp = won.contest.prizes.get(title="Lamp")
        giving.give(lamp.pk, won.entries["D"].receipt, actor=won.host, now=NOW, reason="Nobody wants it.")
        assert award_of("Lamp").state == "told"
