"""Signing in and out, what tiers open, and a member's own page."""

from __future__ import annotations

from datetime import timedelta

import pytest
from django.contrib.auth.models import AnonymousUser

from academy.members.access import may_open, opens, rank_of
from academy.members.models import Grant
from academy.members.sections import Section
from tests import cast

pytestmark = pytest.mark.django_db


def offer_nothing(member):
    """A function such as the setting MEMBER_SECTIONS names."""
    return []


def offer_one(member):
    """Another one."""
    return [Section("Something more", "/more/", f"For {member.name}.")]


class TestSignIn:
    def test_it_takes_the_address_in_any_case(self, client):
        member = cast.member()
        data = {"username": member.email.upper(), "password": "a long pass phrase", "next": "/packs/"}
        response = client.post("/members/sign-in/", data)
        assert response.status_code == 302
        assert response["Location"] == "/packs/"
        assert client.get("/members/").status_code == 200

    @pytest.mark.parametrize("away", ["https://other.example/", "//other.example/", "javascript:alert(1)"])
    def test_it_never_leads_away_from_the_site(self, client, away):
        member = cast.member()
        data = {"username": member.email, "password": "a long pass phrase", "next": away}
        assert client.post("/members/sign-in/", data)["Location"] == "/"

    def test_a_wrong_pass_phrase_and_a_stranger_read_the_same(self, client):
        member = cast.member()
        answers = [
            client.post("/members/sign-in/", {"username": address, "password": "no"})
            for address in (member.email, "nobody@example.org")
        ]
        assert [answer.status_code for answer in answers] == [422, 422]
        for answer in answers:
            assert "No account has this address with this pass phrase" in answer.content.decode()
        assert client.get("/members/").status_code == 302

    def test_who_is_signed_in_already_is_led_on(self, client):
        client.force_login(cast.member())
        assert client.get("/members/sign-in/")["Location"] == "/"


class TestSignOut:
    def test_it_needs_a_post(self, client):
        client.force_login(cast.member())
        assert client.get("/members/sign-out/").status_code == 405
        assert client.get("/members/").status_code == 200
        assert client.post("/members/sign-out/").status_code == 302
        assert client.get("/members/").status_code == 302


class TestOwnPage:
    def test_a_visitor_is_asked_to_sign_in(self, client):
        assert client.get("/members/")["Location"] == "/members/sign-in/?next=/members/"

    def test_it_takes_no_post(self, client):
        client.force_login(cast.member())
        assert client.post("/members/").status_code == 405

    def test_it_shows_the_tier_and_its_end(self, client):
        member = cast.member()
        end = cast.NOW + timedelta(days=30)
        Grant.objects.create(
            member=member, tier=cast.tier("full"), starts_at=cast.NOW - timedelta(days=1), ends_at=end
        )
        client.force_login(member)
        html = client.get("/members/").content.decode()
        assert "<dt>Full</dt>" in html
        assert "until Sun 13 Apr 2031, 12:00 (UTC)" in html

    def test_what_is_over_or_yet_to_come_is_not_held(self, client):
        member = cast.member()
        past, future = cast.NOW - timedelta(days=9), cast.NOW + timedelta(days=9)
        Grant.objects.create(member=member, tier=cast.tier("full", 10), starts_at=past, ends_at=cast.NOW)
        Grant.objects.create(member=member, tier=cast.tier("studio", 20), starts_at=future)
        client.force_login(member)
        html = client.get("/members/").content.decode()
        assert "in force" not in html
        assert "none</span> What is free to every member is open to you" in html
        assert "Earlier memberships (1)" in html
        assert "to come</span> from Sun 23 Mar 2031, 12:00 (UTC)" in html

    def test_a_host_is_told_that_all_is_open(self, client):
        client.force_login(cast.host())
        assert "Host: everything is open to you." in client.get("/members/").content.decode()

    def test_rooms_above_put_their_lines_there_by_name(self, client, settings):
        settings.MEMBER_SECTIONS = [f"{__name__}.offer_nothing", f"{__name__}.offer_one"]
        client.force_login(cast.member("Ansa Merrow"))
        html = client.get("/members/").content.decode()
        assert '<a href="/more/">Something more</a>' in html
        assert "For Ansa Merrow." in html


class TestTiers:
    def test_a_grant_holds_from_its_first_moment_and_not_at_its_last(self):
        member, tier = cast.member(), cast.tier()
        end = cast.NOW + timedelta(days=1)
        Grant.objects.create(member=member, tier=tier, starts_at=cast.NOW, ends_at=end)
        second = timedelta(seconds=1)
        moments = [cast.NOW - second, cast.NOW, end - second, end]
        assert [may_open(member, tier, now) for now in moments] == [False, True, True, False]

    def test_a_higher_tier_opens_a_lower_one_and_not_the_other_way(self):
        low, high = cast.tier("low", 1), cast.tier("high", 2)
        assert may_open(cast.member(tier=high), low, cast.NOW)
        assert not may_open(cast.member(tier=low), high, cast.NOW)

    def test_without_a_tier_all_is_open_and_a_visitor_holds_none(self):
        assert may_open(AnonymousUser(), None, cast.NOW)
        assert not may_open(AnonymousUser(), cast.tier(rank=0), cast.NOW)
        assert opens(rank_of(AnonymousUser(), cast.NOW), None)
        assert not opens(rank_of(AnonymousUser(), cast.NOW), cast.tier(rank=0))

    def test_a_host_holds_all(self):
        assert may_open(cast.host(), cast.tier(rank=30_000), cast.NOW)
