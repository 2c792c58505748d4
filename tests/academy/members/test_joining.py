"""Join: the address is confirmed first, and only its reader chooses the pass phrase."""

from __future__ import annotations

from datetime import timedelta

import pytest
from django.utils import timezone

from academy.letters.models import Letter
from academy.members import codes, joining
from academy.members.models import MailedLink, Member
from tests import cast
from tests.academy.members.post import letters_to, link_in

pytestmark = pytest.mark.django_db

NEW = "new@example.org"
PHRASE = "seven quiet kettles"


def ask(client, address=NEW, **said):
    """Fill in the form."""
    return client.post("/members/join/", {"name": "Tamsin", "address": address, "code": ""} | said)


def choose(client, path, phrase=PHRASE, again=None):
    """Choose a pass phrase behind a link."""
    return client.post(path, {"pass_phrase": phrase, "again": phrase if again is None else again})


class TestAsking:
    def test_known_and_unknown_addresses_read_the_same(self, client):
        known = cast.member().email
        answers = [ask(client, address) for address in (known.upper(), NEW)]
        assert [(one.status_code, one["Location"]) for one in answers] == [(302, "/members/written/")] * 2
        assert letters_to(known) == ["has-account"]
        assert letters_to(NEW) == ["joining"]

    def test_there_is_no_account_before_the_link_is_used(self, client):
        ask(client)
        path = link_in("joining", NEW)
        assert client.get(path).status_code == 200  # a scanner opens it too
        assert not Member.objects.filter(email=NEW).exists()

    def test_a_few_letters_within_the_hour_and_no_more(self, client, monkeypatch):
        for _ in range(5):
            assert ask(client).status_code == 302
        assert len(letters_to(NEW)) == 3
        monkeypatch.setattr(timezone, "now", lambda: cast.NOW + timedelta(hours=1))
        ask(client)
        assert len(letters_to(NEW)) == 4

    def test_one_network_may_not_write_to_all_the_world(self, client):
        answers = [ask(client, f"p{number}@example.org") for number in range(21)]
        assert [one.status_code for one in answers] == [302] * 20 + [422]
        assert "tried too often" in answers[-1].content.decode()

    @pytest.mark.parametrize(
        "address", ["", "nobody", "a b@example.org", "a@example.org\nBcc: b@example.org"]
    )
    def test_what_is_no_address_is_refused_with_a_sentence(self, client, address):
        assert ask(client, address).status_code == 422
        assert not Letter.objects.exists()

    def test_who_is_signed_in_is_led_on(self, client):
        client.force_login(cast.member())
        assert client.get("/members/join/")["Location"] == "/members/"


class TestJoining:
    def test_it_makes_the_account_and_signs_in(self, client):
        ask(client)
        answer = choose(client, link_in("joining", NEW))
        assert answer["Location"] == "/members/"
        member = Member.objects.get(email=NEW)
        assert (member.name, member.check_password(PHRASE)) == ("Tamsin", True)
        assert client.get("/members/").status_code == 200

    def test_the_link_opens_once(self, client):
        ask(client)
        path = link_in("joining", NEW)
        choose(client, path)
        for answer in (client.get(path), choose(client, path, "another phrase")):
            assert answer.status_code == 410
            assert "used already" in answer.content.decode()
        assert Member.objects.get(email=NEW).check_password(PHRASE)

    def test_the_link_is_good_for_a_day(self, client, monkeypatch):
        ask(client)
        path = link_in("joining", NEW)
        monkeypatch.setattr(timezone, "now", lambda: cast.NOW + timedelta(hours=24))
        assert "too old" in choose(client, path).content.decode()
        assert not Member.objects.filter(email=NEW).exists()

    def test_the_database_alone_opens_nothing(self, client):
        ask(client)
        link = MailedLink.objects.get()
        assert client.get(f"/members/links/{link.secret_sha256}/").status_code == 410

    def test_who_was_faster_keeps_the_address(self, client):
        ask(client)
        path = link_in("joining", NEW)
        Member.objects.create_user(NEW, "Faster")
        assert "An account has this address by now" in choose(client, path).content.decode()

    @pytest.mark.parametrize(
        ("phrase", "again", "words"),
        [
            ("short", None, "It is too short. Write eight characters"),
            ("password123", None, "It is too common"),
            ("new@example.org", None, "too similar to your name or address"),
            (PHRASE, "seven quiet kettle", "not the same"),
            ("", "", "Write a pass phrase"),
        ],
    )
    def test_a_poor_pass_phrase_is_refused_and_the_link_stays_good(self, client, phrase, again, words):
        ask(client)
        path = link_in("joining", NEW)
        answer = choose(client, path, phrase, again)
        assert answer.status_code == 422
        assert words in answer.content.decode()
        assert choose(client, path).status_code == 302


class TestJoiningWithACode:
    def code(self, **said):
        """A code of thirty days."""
        facts = {"tier": cast.tier(), "length_days": 30, "most_uses": 1, "expires_at": None}
        return codes.make_code(**facts | said, made_by=None, now=cast.NOW)

    def test_it_gives_the_tier_at_joining(self, client):
        code = self.code()
        ask(client, code=code.code.lower().replace("-", " "))
        choose(client, link_in("joining", NEW))
        (grant,) = Member.objects.get(email=NEW).grants.all()
        assert (grant.source, grant.ends_at) == ("code", cast.NOW + timedelta(days=30))

    def test_a_wrong_one_is_said_at_once(self, client):
        answer = ask(client, code="AAAA-BBBB-CCCC")
        assert answer.status_code == 422
        assert "There is no such code" in answer.content.decode()

    def test_one_used_up_meanwhile_costs_nobody_the_account(self, client):
        code = self.code()
        ask(client, code=code.code)
        codes.redeem(code.code, cast.member(), now=cast.NOW)
        answer = client.get(choose(client, link_in("joining", NEW))["Location"])
        assert "Your code gave nothing: This code is used up." in answer.content.decode()
        assert not Member.objects.get(email=NEW).grants.exists()


class TestInviting:
    def test_whose_account_was_made_chooses_the_first_pass_phrase(self, client):
        member = Member.objects.create_user(NEW, "Tamsin")
        joining.invite(member, now=cast.NOW)
        assert choose(client, link_in("invited", NEW)).status_code == 302
        member.refresh_from_db()
        assert member.check_password(PHRASE)
        assert letters_to(NEW) == ["invited"]  # none about a change: it is the first one
