"""A hand-out from told to received, what is refused on the way, and what is erased."""

from __future__ import annotations

import io
import itertools
import json
import zipfile
from datetime import timedelta

import pytest
from django.contrib import admin
from django.test import Client, override_settings
from django.urls import reverse

from academy.letters.models import Letter
from academy.members import leaving, own_data
from contests.models import Decision, PrivateLine
from contests.prizes import erasing, giving, handing
from contests.prizes.refusals import PrizeRefused
from contests.results.exporting import export_of
from contests.states import AWARD_MOVES, AwardState, MoveNotAllowed
from tests import cast
from tests.contests.hosting.conftest import signed_in
from tests.contests.prizes.conftest import A_DAY, ADDRESS, CODE, NOW, award_of, letters_of

pytestmark = pytest.mark.django_db


@pytest.fixture
def told(won):
    """Cables by post to A, strings as a code to B, both told."""
    won.publish()
    giving.give_by_place(won.contest.pk, actor=won.host, now=NOW)
    return won


def confirm(won, title="Cables", letter="A", *, address=ADDRESS, now=NOW):
    return handing.confirm(award_of(title).pk, actor=won.member(letter), now=now, address=address)


def send(won, title="Cables", *, code="", now=NOW):
    return handing.send(award_of(title).pk, actor=won.host, now=now, code=code)


class TestByPost:
    def test_every_step_has_its_time_and_its_person(self, told):
        confirm(told, now=NOW + A_DAY)
        send(told, now=NOW + 2 * A_DAY)
        award = handing.receive(award_of("Cables").pk, actor=told.member("A"), now=NOW + 9 * A_DAY)
        winner, host = told.member("A"), told.host
        assert list(award.moves.values_list("new_state", "actor", "moved_at")) == [
            ("planned", host.pk, NOW),
            ("told", host.pk, NOW),
            ("confirmed", winner.pk, NOW + A_DAY),
            ("sent", host.pk, NOW + 2 * A_DAY),
            ("received", winner.pk, NOW + 9 * A_DAY),
        ]

    def test_without_an_address_it_is_not_confirmed(self, told):
        with pytest.raises(PrizeRefused, match="where it is to be sent"):
            confirm(told, address=" \n ")
        assert award_of("Cables").state == "told"

    def test_the_address_goes_with_the_arrival(self, told):
        confirm(told)
        assert handing.address_of(award_of("Cables")) == ADDRESS
        send(told)
        handing.receive(award_of("Cables").pk, actor=told.member("A"), now=NOW)
        assert not PrivateLine.objects.exists()

    def test_it_can_be_changed_until_it_is_sent(self, told):
        with pytest.raises(PrizeRefused, match="from your confirmation until"):
            handing.change_address(award_of("Cables").pk, address="Elsewhere", now=NOW)
        confirm(told)
        handing.change_address(award_of("Cables").pk, address="Elsewhere", now=NOW)
        assert handing.address_of(award_of("Cables")) == "Elsewhere"
        send(told)
        with pytest.raises(PrizeRefused, match="from your confirmation until"):
            handing.change_address(award_of("Cables").pk, address="Too late", now=NOW)

    @pytest.mark.parametrize("when", ["told", "confirmed"])
    def test_declining_erases_and_gives_it_to_nobody(self, told, when):
        if when == "confirmed":
            confirm(told)
        handing.decline(award_of("Cables").pk, actor=told.member("A"), now=NOW)
        assert award_of("Cables").state == "declined"
        assert not PrivateLine.objects.exists()
        assert told.contest.prizes.get(title="Cables").awards.count() == 1

    def test_passing_on_erases_too(self, told):
        confirm(told)
        giving.pass_on(award_of("Cables").pk, actor=told.host, now=NOW, reason="Not allowed there.")
        assert not PrivateLine.objects.exists()

    def test_the_host_may_say_that_it_arrived_with_a_reason(self, told):
        confirm(told)
        send(told)
        pk = award_of("Cables").pk
        with pytest.raises(PrizeRefused, match="how you know"):
            handing.receive(pk, actor=told.host, now=NOW, reason="")
        handing.receive(pk, actor=told.host, now=NOW, reason="A telephoned.")
        assert told.contest.decisions.order_by("number").last().action == "prize received"


class TestDigital:
    def test_it_is_confirmed_without_an_address_and_sent_with_a_code(self, told):
        confirm(told, "Strings", "B", address="")
        with pytest.raises(PrizeRefused, match="Enter the code"):
            send(told, "Strings", code=" ")
        send(told, "Strings", code=CODE)
        assert handing.code_of(award_of("Strings")) == CODE
        handing.receive(award_of("Strings").pk, actor=told.member("B"), now=NOW)
        assert handing.code_of(award_of("Strings")) is None


class TestArrows:
    def test_only_drawn_arrows_can_be_taken(self, told):
        award = award_of("Cables")
        for old, new in itertools.product(AwardState, AwardState):
            type(award).objects.filter(pk=award.pk).update(state=old)
            award.refresh_from_db()
            if new in AWARD_MOVES[old]:
                award.move_to(new, actor=None, now=NOW)
                assert award_of("Cables").state == new
            else:
                with pytest.raises(MoveNotAllowed):
                    award.move_to(new, actor=None, now=NOW)
                assert award_of("Cables").state == old

    def test_two_at_once_take_one_arrow(self, told):
        confirm(told)
        send(told)
        with pytest.raises(PrizeRefused, match="Look again"):
            send(told)
        assert len(letters_of("prize-sent")) == 1


class TestReminding:
    def test_once_a_day_and_with_as_many_days_again(self, told):
        later = NOW + 20 * A_DAY
        for _ in range(2):
            handing.remind(award_of("Cables").pk, actor=told.host, now=later)
        assert award_of("Cables").confirm_by == later + 14 * A_DAY
        to_winner = [one for one in letters_of("prize-told") if one.address == told.member("A").email]
        assert len(to_winner) == 2
        assert "still waits for your answer" in to_winner[-1].text

    def test_what_is_on_its_way_is_not_reminded_of(self, told):
        confirm(told)
        send(told)
        with pytest.raises(PrizeRefused, match="nothing to remind of"):
            handing.remind(award_of("Cables").pk, actor=told.host, now=NOW)


class TestErasing:
    @override_settings(PRIZE_ADDRESS_DAYS=60)
    def test_sixty_days_after_sending_even_if_nobody_says_that_it_arrived(self, told):
        confirm(told, now=NOW)
        send(told, now=NOW + 30 * A_DAY)
        assert erasing.erase_what_is_due(NOW + 90 * A_DAY - timedelta(seconds=1)) == 0
        assert erasing.erase_what_is_due(NOW + 90 * A_DAY) == 1
        assert not PrivateLine.objects.exists()

    @override_settings(PRIZE_ADDRESS_DAYS=60)
    def test_an_address_that_was_never_used_goes_too_and_can_be_written_again(self, told):
        confirm(told, now=NOW)
        assert erasing.erase_what_is_due(NOW + 60 * A_DAY) == 1
        with pytest.raises(PrizeRefused, match="no postal address"):
            send(told, now=NOW + 61 * A_DAY)
        handing.change_address(award_of("Cables").pk, address=ADDRESS, now=NOW + 61 * A_DAY)
        assert erasing.erase_what_is_due(NOW + 120 * A_DAY) == 0
        send(told, now=NOW + 62 * A_DAY)

    def test_what_a_backup_brought_back_for_an_ended_hand_out_goes_at_once(self, told):
        confirm(told)
        handing.decline(award_of("Cables").pk, actor=told.member("A"), now=NOW)
        PrivateLine.objects.create(award=award_of("Cables"), kind="address", text=ADDRESS, written_at=NOW)
        assert erasing.erase_what_is_due(NOW) == 1

    def test_leaving_erases_and_ends_what_waits(self, told):
        confirm(told)
        lost = [line for one in leaving.partings_of(told.member("A"), now=NOW) for line in one.lost]
        assert any("The prize “Cables”" in line for line in lost)
        leaving.leave(told.member("A"), {}, now=NOW)
        assert award_of("Cables").state == "declined"
        assert not PrivateLine.objects.exists()

    def test_who_leaves_after_sending_only_loses_the_address(self, told):
        confirm(told)
        send(told)
        leaving.leave(told.member("A"), {}, now=NOW)
        assert award_of("Cables").state == "sent"
        assert not PrivateLine.objects.exists()


class TestPrivacy:
    def test_own_data_holds_it_and_nobody_elses_does(self, told):
        confirm(told)
        for letter, holds in (("A", True), ("B", False)):
            blob = own_data.archive_of(told.member(letter), now=NOW)
            with zipfile.ZipFile(io.BytesIO(blob)) as archive:
                held = json.loads(archive.read("contests.json"))
            assert (ADDRESS in json.dumps(held, ensure_ascii=False).replace("\\n", "\n")) is holds
            assert len(held["prizes"]) == 1

    def test_own_data_says_nothing_of_what_is_only_planned(self, won):
        giving.give_by_place(won.contest.pk, actor=won.host, now=NOW)
        blob = own_data.archive_of(won.member("A"), now=NOW)
        with zipfile.ZipFile(io.BytesIO(blob)) as archive:
            assert json.loads(archive.read("contests.json"))["prizes"] == []

    def test_it_is_in_no_letter_no_log_no_export_and_not_in_the_operators_pages(self, told):
        confirm(told)
        confirm(told, "Strings", "B", address="")
        send(told)
        send(told, "Strings", code=CODE)
        for secret in ("Quaywater", "QXZV-7781"):
            assert not any(secret in one.text + one.html + one.subject for one in Letter.objects.all())
            assert not any(secret in f"{line.details}{line.reason}" for line in Decision.objects.all())
            assert secret not in export_of(told.contest).decode()
            assert not any(secret in str(line) for line in PrivateLine.objects.all())
        assert PrivateLine not in admin.site._registry

    def test_pages_show_it_to_the_winner_and_hosts_the_code_to_the_winner_alone(self, told):
        confirm(told)
        confirm(told, "Strings", "B", address="")
        send(told, "Strings", code=CODE)
        slug = told.contest.slug
        pages = [
            reverse("contests:contest", args=[slug]),
            reverse("contests:result", args=[slug]),
            reverse("contests:host_prizes", args=[slug]),
            reverse("contests:host_log", args=[slug]),
            *[
                reverse("contests:host_prize_award", args=[slug, award_of(t).pk])
                for t in ("Cables", "Strings")
            ],
            *[reverse("contests:own_prizes", args=[told.entries[letter].receipt]) for letter in "ABCD"],
            *[reverse("contests:scorecard", args=[told.entries[letter].receipt]) for letter in "ABCD"],
        ]
        people = {
            "nobody": Client(),
            "stranger": signed_in(cast.member("Ilka Roe")),
            "host": signed_in(told.host),
            **{letter: signed_in(told.member(letter)) for letter in "ABCD"},
        }
        seen = {"Quaywater": set(), "QXZV-7781": set()}
        for who, browser in people.items():
            for page in pages:
                body = browser.get(page).content.decode()
                for secret, by in seen.items():
                    if secret in body:
                        by.add((who, page.split("/")[-2]))
        cables = str(award_of("Cables").pk)
        assert seen["Quaywater"] == {("A", told.entries["A"].receipt), ("host", cables)}
        assert seen["QXZV-7781"] == {("B", told.entries["B"].receipt)}
