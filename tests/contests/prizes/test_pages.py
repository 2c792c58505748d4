"""The pages of prizes: for the right person, the wrong one, nobody; buttons, and refusals in words."""

from __future__ import annotations

import pytest
from django.test import Client
from django.urls import reverse

from contests.models import Award, Turn
from contests.own_data import held
from contests.prizes import choosing, giving, handing
from tests import cast
from tests.contests.hosting.conftest import signed_in
from tests.contests.prizes.conftest import A_DAY, ADDRESS, CODE, NOW, award_of

pytestmark = pytest.mark.django_db


def text(response) -> str:
    return response.content.decode().replace("\N{NO-BREAK SPACE}", " ")


def desk_at(won) -> str:
    return reverse("contests:host_prizes", args=[won.contest.slug])


def own_at(won, letter) -> str:
    return reverse("contests:own_prizes", args=[won.entries[letter].receipt])


def answer_at(won, letter, title, act) -> str:
    return reverse("contests:answer_prize", args=[won.entries[letter].receipt, award_of(title).pk, act])


def give_at(won, title) -> str:
    return reverse(
        "contests:host_prize_give", args=[won.contest.slug, won.contest.prizes.get(title=title).pk]
    )


class TestWhoMay:
    def test_the_hosts_pages_are_for_hosts(self, won):
        giving.give_by_place(won.contest.pk, actor=won.host, now=NOW)
        slug = won.contest.slug
        award = award_of("Cables")
        seen = [desk_at(won), reverse("contests:host_prize_award", args=[slug, award.pk])]
        done = [
            reverse("contests:host_prizes_by_place", args=[slug]),
            reverse("contests:host_prize_ask", args=[slug]),
            give_at(won, "Cables"),
        ]
        for page in seen:
            assert Client().get(page).status_code == 302
            assert signed_in(won.member("A")).get(page).status_code == 404
            assert signed_in(won.host).get(page).status_code == 200
        for page in done:
            assert Client().post(page).status_code == 302
            assert signed_in(won.member("A")).post(page).status_code == 404
            assert signed_in(won.host).get(page).status_code == 405
        other = reverse("contests:host_prize_award", args=[cast.contest().slug, award.pk])
        assert signed_in(won.host).get(other).status_code == 404

    def test_the_winners_page_is_the_winners_alone_and_there_after_publication(self, won):
        giving.give_by_place(won.contest.pk, actor=won.host, now=NOW)
        page = own_at(won, "A")
        assert signed_in(won.member("A")).get(page).status_code == 404
        won.publish()
        assert signed_in(won.member("A")).get(page).status_code == 200
        assert Client().get(page).status_code == 302
        for other in (won.member("B"), won.host, cast.member("Ilka Roe")):
            assert signed_in(other).get(page).status_code == 404
        assert signed_in(won.member("D")).get(own_at(won, "D")).status_code == 404  # has none
        assert signed_in(won.member("A")).post(page).status_code == 405

    def test_what_was_planned_for_somebody_and_given_to_another_is_not_told_them(self, won):
        lamp = won.prize("A lamp", special="Boldest")
        said = {"actor": won.host, "now": NOW, "reason": "Depth."}
        planned = giving.give(lamp.pk, won.entries["D"].receipt, **said)
        giving.pass_on(planned.pk, **said)
        giving.give(lamp.pk, won.entries["C"].receipt, **said)
        won.publish()
        assert "A lamp" in text(signed_in(won.member("C")).get(own_at(won, "C")))
        assert signed_in(won.member("D")).get(own_at(won, "D")).status_code == 404
        assert own_at(won, "D") not in text(signed_in(won.member("D")).get(reverse("members:page")))
        assert held(won.member("D")).holds["prizes"] == []
        assert [one["prize"] for one in held(won.member("C")).holds["prizes"]] == ["A lamp"]
        giving.give_by_place(won.contest.pk, actor=won.host, now=NOW)
        giving.pass_on(award_of("Cables").pk, **said)  # told, and therefore known to its winner
        assert "Cables" in text(signed_in(won.member("A")).get(own_at(won, "A")))

    def test_nobody_answers_for_another(self, won):
        giving.give_by_place(won.contest.pk, actor=won.host, now=NOW)
        won.publish()
        stolen = reverse(
            "contests:answer_prize", args=[won.entries["B"].receipt, award_of("Cables").pk, "decline"]
        )
        assert signed_in(won.member("B")).post(stolen).status_code == 404
        assert signed_in(won.member("B")).post(answer_at(won, "A", "Cables", "decline")).status_code == 404
        assert signed_in(won.host).post(answer_at(won, "A", "Cables", "confirm")).status_code == 404
        assert award_of("Cables").state == "told"

    def test_a_winner_finds_the_way_from_the_own_page(self, won):
        giving.give_by_place(won.contest.pk, actor=won.host, now=NOW)
        browser = signed_in(won.member("A"))
        assert own_at(won, "A") not in text(browser.get(reverse("members:page")))
        won.publish()
        assert own_at(won, "A") in text(browser.get(reverse("members:page")))
        assert own_at(won, "A") in text(
            browser.get(reverse("contests:scorecard", args=[won.entries["A"].receipt]))
        )


class TestHost:
    def test_before_the_decision_the_page_shows_the_pool_only(self):
        contest = cast.contest()
        contest.prizes.create(title="Cables", place=1)
        page = text(signed_in(cast.host()).get(reverse("contests:host_prizes", args=[contest.slug])))
        assert "once the result is decided" in page
        assert "Cables" in page

    def test_from_planning_to_sending(self, won):
        host, slug = signed_in(won.host), won.contest.slug
        assert "2 prizes can go to the entries" in text(host.get(desk_at(won)))
        host.post(reverse("contests:host_prizes_by_place", args=[slug]))
        assert award_of("Cables").state == "planned"
        won.publish()
        browser = signed_in(won.member("A"))
        answer = browser.post(answer_at(won, "A", "Cables", "confirm"), {"address": ""})
        assert answer.status_code == 422
        assert "Write where it is to be sent" in text(answer)
        browser.post(answer_at(won, "A", "Cables", "confirm"), {"address": ADDRESS})
        assert "is confirmed by A Entrant. Send it." in text(host.get(desk_at(won)))
        award = reverse("contests:host_prize_award", args=[slug, award_of("Cables").pk])
        assert "Quaywater House<br>7 Tern Lane" in text(host.get(award))
        host.post(award, {"act": "send"})
        assert award_of("Cables").state == "sent"
        browser.post(answer_at(won, "A", "Cables", "received"))
        assert award_of("Cables").state == "received"
        assert "Quaywater" not in text(host.get(award)) + text(browser.get(own_at(won, "A")))

    def test_a_code_is_entered_and_shown_to_the_winner_alone(self, won):
        giving.give_by_place(won.contest.pk, actor=won.host, now=NOW)
        won.publish()
        handing.confirm(award_of("Strings").pk, actor=won.member("B"), now=NOW)
        host = signed_in(won.host)
        page = reverse("contests:host_prize_award", args=[won.contest.slug, award_of("Strings").pk])
        refused = host.post(page, {"act": "send", "code": ""})
        assert refused.status_code == 422
        assert "Enter the code or the link" in text(refused)
        host.post(page, {"act": "send", "code": CODE})
        assert CODE in text(signed_in(won.member("B")).get(own_at(won, "B")))
        assert CODE not in text(host.get(page))

    def test_giving_by_hand_keeps_what_was_typed_on_a_refusal(self, won):
        won.prize("A lamp", special="Boldest")
        host = signed_in(won.host)
        prefix = f"give{won.contest.prizes.get(title='A lamp').pk}"
        sent = {f"{prefix}-entry": won.entries["C"].receipt, f"{prefix}-reason": ""}
        refused = host.post(give_at(won, "A lamp"), sent)
        assert refused.status_code == 422
        assert "Give the reason; nothing was done." in text(refused)
        assert not Award.objects.exists()
        host.post(give_at(won, "A lamp"), sent | {f"{prefix}-reason": "By the criterion Depth."})
        assert award_of("A lamp").entry == won.entries["C"]

    def test_keeping_back_and_passing_on(self, won):
        host = signed_in(won.host)
        prize = won.contest.prizes.get(title="Strings")
        assert host.post(give_at(won, "Strings"), {"act": "keep-back"}).status_code == 422
        host.post(give_at(won, "Strings"), {"act": "keep-back", f"keep{prize.pk}-reason": "Out of stock."})
        prize.refresh_from_db()
        assert prize.is_kept_back
        giving.give_by_place(won.contest.pk, actor=won.host, now=NOW)
        page = reverse("contests:host_prize_award", args=[won.contest.slug, award_of("Cables").pk])
        assert host.post(page, {"act": "pass-on", "pass-reason": ""}).status_code == 422
        host.post(page, {"act": "pass-on", "pass-reason": "Lives where it may not be sent."})
        assert award_of("Cables").state == "passed_on"
        assert host.post(page, {"act": "no-such"}).status_code == 404

    def test_overdue_answers_wait_on_the_desk(self, won, clock):
        giving.give_by_place(won.contest.pk, actor=won.host, now=NOW)
        won.publish()
        host = signed_in(won.host)
        hosted = reverse("contests:hosted", args=[won.contest.slug])
        clock.now = NOW + 14 * A_DAY
        host = signed_in(won.host)
        assert "A Entrant was to answer about “Cables” by" in text(host.get(desk_at(won)))
        assert "2 winners have not answered about a prize in time." in text(host.get(hosted))

    def test_the_turn_to_choose_from_both_sides(self, won):
        won.prize("Lamp", is_choice=True)
        won.prize("Chair", is_choice=True, handing="shipped")
        won.publish()
        host = signed_in(won.host)
        ask = reverse("contests:host_prize_ask", args=[won.contest.slug])
        refused = host.post(ask, {"entry": won.entries["B"].receipt, "days": 7})
        assert refused.status_code == 422
        assert "come before" in text(refused)
        host.post(ask, {"entry": won.entries["A"].receipt, "days": 7})
        assert "A Entrant is choosing" in text(host.get(desk_at(won)))
        choose = reverse("contests:choose_prize", args=[won.entries["A"].receipt])
        browser = signed_in(won.member("A"))
        assert "It is your turn to choose" in text(browser.get(own_at(won, "A")))
        assert browser.post(choose, {}).status_code == 422
        chair = won.contest.prizes.get(title="Chair")
        refused = browser.post(choose, {"prize": chair.pk})
        assert refused.status_code == 422
        assert "Write where it is to be sent" in text(refused)
        browser.post(choose, {"prize": chair.pk, "address": ADDRESS})
        assert award_of("Chair").state == "confirmed"
        other = signed_in(won.member("B"))
        other.post(reverse("contests:choose_prize", args=[won.entries["B"].receipt]), {"act": "none"})
        assert Turn.objects.get(entry=won.entries["B"]).state == "declined"
        turn = choosing.ask(
            won.contest.pk, won.entries["C"].receipt, days=7, actor=won.host, now=NOW, reason="B wants none."
        )
        host.post(
            reverse("contests:host_prize_turn", args=[won.contest.slug, turn.pk]),
            {"turn-reason": "No answer."},
        )
        assert Turn.objects.get(pk=turn.pk).state == "passed_on"


class TestPublic:
    def test_who_won_which_shows_after_publication_only(self, won):
        won.prize("A lamp", special="Boldest")
        giving.give_by_place(won.contest.pk, actor=won.host, now=NOW)
        lamp = won.contest.prizes.get(title="A lamp")
        giving.give(lamp.pk, won.entries["D"].receipt, actor=won.host, now=NOW, reason="Depth.")
        page = reverse("contests:contest", args=[won.contest.slug])
        before = text(Client().get(page))
        assert "Worth together: CHF 90.00 and EUR 300.00" in before
        assert "settled by the law" in before
        assert "Entrant" not in before
        won.publish()
        assert "Goes to D Entrant" in text(Client().get(page))
        result = text(Client().get(reverse("contests:result", args=[won.contest.slug])))
        assert "Goes to D Entrant" in result

    def test_the_state_of_a_hand_out_is_nobody_elses_business(self, won):
        giving.give_by_place(won.contest.pk, actor=won.host, now=NOW)
        won.publish()
        handing.confirm(award_of("Cables").pk, actor=won.member("A"), now=NOW, address=ADDRESS)
        result = text(Client().get(reverse("contests:result", args=[won.contest.slug])))
        assert "confirmed" not in result
