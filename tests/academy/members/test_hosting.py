"""The host's pages about members."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import connection
from django.test.utils import CaptureQueriesContext

from academy.members.models import Grant, HeldList, InvitationCode, Member, Tier
from tests import cast
from tests.academy.members.post import letters_to

pytestmark = pytest.mark.django_db

HOME = "/members/hosting/"


@pytest.fixture
def host(client):
    """A host who is signed in."""
    host = cast.host()
    client.force_login(host)
    return host


class TestDoor:
    @pytest.mark.parametrize(
        "path",
        [
            "",
            "new/",
            "tiers/",
            "tiers/new/",
            "tiers/change/full/",
            "codes/",
            "lists/",
            "1/",
            "1/grants/1/end/",
        ],
    )
    def test_it_is_there_for_hosts_alone(self, client, path):
        cast.tier("full")
        assert client.get(HOME + path)["Location"].startswith("/members/sign-in/")
        client.force_login(cast.member())
        assert client.get(HOME + path).status_code == 404

    @pytest.mark.parametrize("path", ["1/give/", "1/invite/", "codes/1/stop/"])
    def test_what_changes_something_needs_a_post_by_a_host(self, client, path):
        client.force_login(cast.member())
        assert client.post(HOME + path).status_code == 404
        client.force_login(cast.host())
        assert client.get(HOME + path).status_code == 405

    def test_the_way_is_on_the_hosts_own_page(self, client, host):
        html = client.get("/members/").content.decode()
        assert f'href="{HOME}"' in html
        client.force_login(cast.member())
        assert f'href="{HOME}"' not in client.get("/members/").content.decode()


class TestList:
    def test_the_number_of_queries_does_not_grow_with_the_members(self, client, host):
        tier = cast.tier()
        counts = []
        for more in (5, 120):
            people = [Member(email=f"{more}-{n}@example.org", name=f"P {n:03}") for n in range(more)]
            for person in Member.objects.bulk_create(people):
                Grant.objects.create(member=person, tier=tier, starts_at=cast.NOW)
            with CaptureQueriesContext(
                connection,
            ) as caught:
                assert client.get(HOME).status_code == 200
            counts.append(len(caught))
        assert counts[0] == counts[1] <= 8

    def test_it_finds_by_parts_of_name_and_address_and_by_tier(self, client, host):
        ansa = cast.member("Ansa Merrow", tier=cast.tier())
        cast.member("Bo Lind")
        for search, found in {
            "words=merr": True,
            "words=MERROW+ansa": True,
            f"words={ansa.email}": True,
            "words=lind": False,
            f"tier={ansa.grants.get().tier.pk}": True,
            "words=nobody": False,
        }.items():
            html = client.get(f"{HOME}?{search}").content.decode()
            assert (ansa.email in html) is found, search
        assert "Nobody has this name or address" in html

    def test_pages_keep_the_search(self, client, host):
        Member.objects.bulk_create(
            Member(email=f"p{n}@example.org", name=f"Person {n:03}") for n in range(60)
        )
        html = client.get(f"{HOME}?words=person").content.decode()
        assert "60 found, 1 to 50 shown" in html
        assert 'href="?words=person&amp;page=2"' in html
        second = client.get(f"{HOME}?words=person&page=2").content.decode()
        assert "Person 059" in second
        assert client.get(f"{HOME}?page=none").status_code == 200


class TestMember:
    def test_a_tier_is_given_and_ended_with_a_reason(self, client, host):
        member, tier = cast.member(), cast.tier()
        path = f"{HOME}{member.pk}/"
        sent = {
            "tier": tier.pk,
            "starts": "2031-03-14T00:00",
            "ends": "2031-04-01T00:00",
            "reason": "Won it.",
        }
        assert client.post(f"{path}give/", sent)["Location"] == path
        grant = member.grants.get()
        assert grant.starts_at == datetime(2031, 3, 14, tzinfo=UTC)
        assert grant.ends_at == datetime(2031, 4, 1, tzinfo=UTC)
        assert grant.given_by == host
        assert client.post(f"{path}grants/{grant.pk}/end/", {"reason": ""}).status_code == 422
        assert client.post(f"{path}grants/{grant.pk}/end/", {"reason": "Asked."})["Location"] == path
        html = client.get(path).content.decode()
        for words in (
            "given by a host",
            "Won it.",
            "ended early by Odile Tarn: Asked.",
            "until Tue 1 Apr 2031",
        ):
            assert words in html
        again = client.post(f"{path}grants/{grant.pk}/end/", {"reason": "Asked."})
        assert "over already" in again.content.decode()
        assert letters_to(member.email) == ["membership-given", "membership-ended"]

    def test_a_wrong_period_is_refused_with_a_sentence(self, client, host):
        member = cast.member()
        sent = {"tier": cast.tier().pk, "starts": "2031-04-01T00:00", "ends": "2031-03-01T00:00"}
        answer = client.post(f"{HOME}{member.pk}/give/", sent)
        assert answer.status_code == 422
        assert "The end is not after the start." in answer.content.decode()
        assert not member.grants.exists()

    @pytest.mark.parametrize("ends", ["9999-12-31T23:59", "0001-01-01T00:00"])
    def test_a_moment_at_the_edge_of_the_calendar_is_refused_with_a_sentence(self, client, host, ends):
        member = cast.member()
        answer = client.post(f"{HOME}{member.pk}/give/", {"tier": cast.tier().pk, "ends": ends})
        assert answer.status_code == 422
        assert "Write a year between 1970 and 2999" in answer.content.decode()

    # Summer time in Lisbon from 30 March to 26 October 2031 (Directive 2000/84/EC, articles 2 and 3).
    def test_a_period_is_typed_and_shown_by_the_site_s_clocks_across_their_change(
        self, client, host, settings
    ):
        settings.SITE_ZONE = "Europe/Lisbon"
        member = cast.member()
        path = f"{HOME}{member.pk}/"
        assert "As clocks in Europe/Lisbon show it." in client.get(path).content.decode()
        sent = {"tier": cast.tier().pk, "starts": "2031-03-29T18:00", "ends": "2031-03-30T18:00"}
        assert client.post(f"{path}give/", sent).status_code == 302
        grant = member.grants.get()
        assert grant.starts_at == datetime(2031, 3, 29, 18, tzinfo=UTC)
        assert grant.ends_at == datetime(2031, 3, 30, 17, tzinfo=UTC)  # 23 hours later
        html = client.get(path).content.decode()
        assert "Sat 29 Mar 2031, 18:00 (UTC, Europe/Lisbon)" in html
        assert "Sun 30 Mar 2031, 18:00 (UTC+01:00, Europe/Lisbon)" in html

    @pytest.mark.parametrize(
        ("typed", "why"),
        [("2031-03-30T01:30", "never show 01:30"), ("2031-10-26T01:30", "show 01:30 twice")],
    )
    def test_an_end_that_clocks_skip_or_repeat_is_refused(self, client, host, settings, typed, why):
        settings.SITE_ZONE = "Europe/Lisbon"
        member = cast.member()
        answer = client.post(f"{HOME}{member.pk}/give/", {"tier": cast.tier().pk, "ends": typed})
        assert answer.status_code == 422
        assert why in answer.content.decode()
        assert f'value="{typed}"' in answer.content.decode()  # what was typed is there to be put right
        assert not member.grants.exists()

    def test_another_members_grant_is_not_there(self, client, host):
        one, other = cast.member(tier=cast.tier()), cast.member()
        assert client.get(f"{HOME}{other.pk}/grants/{one.grants.get().pk}/end/").status_code == 404

    def test_an_account_is_made_and_its_owner_written_to(self, client, host):
        sent = {"name": "Tamsin", "address": "New@example.org", "tier": cast.tier().pk}
        assert client.post(f"{HOME}new/", sent).status_code == 302
        member = Member.objects.get(email="new@example.org")
        assert member.grants.get().given_by == host
        assert letters_to("new@example.org") == ["invited"]
        again = client.post(f"{HOME}new/", sent)
        assert "A member has this address already." in again.content.decode()

    def test_a_link_can_be_sent_again_and_not_without_end(self, client, host):
        member = cast.member()
        for _ in range(5):
            assert client.post(f"{HOME}{member.pk}/invite/").status_code == 302
        assert letters_to(member.email) == ["invited"] * 3

    def test_who_has_left_is_not_there(self, client, host):
        gone = cast.member(is_active=False)
        assert client.get(f"{HOME}{gone.pk}/").status_code == 404
        assert gone.email not in client.get(HOME).content.decode()


class TestTiers:
    def test_one_is_made_and_changed(self, client, host):
        facts = {"name": "Mixer", "slug": "mixer", "rank": 20, "about": "All *stems*."}
        assert client.post(f"{HOME}tiers/new/", facts).status_code == 302
        cast.member(tier=Tier.objects.get())
        html = client.get(f"{HOME}tiers/").content.decode()
        assert "1 holds it" in html
        client.post(f"{HOME}tiers/change/mixer/", facts | {"name": "Mixers"})
        assert Tier.objects.get().name == "Mixers"

    def test_a_rank_or_short_name_that_is_taken_is_refused(self, client, host):
        cast.tier("mixer", 20)
        answer = client.post(f"{HOME}tiers/new/", {"name": "M", "slug": "mixer", "rank": 20, "about": ""})
        assert answer.status_code == 422
        assert "Another tier has this short name." in answer.content.decode()
        assert "Another tier has this rank." in answer.content.decode()


class TestCodes:
    def test_one_is_made_shown_and_stopped(self, client, host):
        until = "2031-05-01T00:00"
        sent = {"tier": cast.tier().pk, "length_days": 90, "most_uses": 5, "expires_at": until}
        assert client.post(f"{HOME}codes/", sent).status_code == 302
        code = InvitationCode.objects.get()
        assert code.expires_at == datetime(2031, 5, 1, tzinfo=UTC)
        html = client.get(f"{HOME}codes/").content.decode()
        assert f"http://127.0.0.1:8000/members/join/?code={code}" in html
        assert "for 90 days, entered 0 of 5 times" in html
        client.post(f"{HOME}codes/{code.pk}/stop/")
        assert "stopped" in client.get(f"{HOME}codes/").content.decode()

    def test_it_expires_by_the_site_s_clocks(self, client, host, settings):
        settings.SITE_ZONE = "Europe/Lisbon"
        sent = {"tier": cast.tier().pk, "most_uses": 1}
        client.post(f"{HOME}codes/", sent | {"expires_at": "2031-10-25T18:00"})
        client.post(f"{HOME}codes/", sent | {"expires_at": "2031-10-26T18:00"})
        summer, winter = InvitationCode.objects.order_by("expires_at")
        assert summer.expires_at == datetime(2031, 10, 25, 17, tzinfo=UTC)
        assert winter.expires_at == datetime(2031, 10, 26, 18, tzinfo=UTC)
        html = client.get(f"{HOME}codes/").content.decode()
        assert "until Sat 25 Oct 2031, 18:00 (UTC+01:00, Europe/Lisbon)" in html
        assert "until Sun 26 Oct 2031, 18:00 (UTC, Europe/Lisbon)" in html

    def test_no_uses_are_no_code(self, client, host):
        answer = client.post(f"{HOME}codes/", {"tier": cast.tier().pk, "most_uses": 0})
        assert answer.status_code == 422
        assert not InvitationCode.objects.exists()


class TestLists:
    def upload(self, client, text):
        """Send a file to look at."""
        file = SimpleUploadedFile("people.csv", text.encode(), "text/csv")
        return client.post(f"{HOME}lists/", {"file": file})

    def test_it_is_looked_at_first_and_then_taken(self, client, host):
        cast.tier("full")
        answer = self.upload(client, "email,name,tier\na@example.org,Ansa,full\n")
        assert answer["Location"] == f"{HOME}lists/held/"
        html = client.get(f"{HOME}lists/held/").content.decode()
        assert "people.csv" in html
        assert "a@example.org" in html
        assert not Member.objects.filter(email="a@example.org").exists()
        assert client.post(f"{HOME}lists/held/", {"invite": "on"})["Location"] == HOME
        assert Member.objects.get(email="a@example.org").grants.get().given_by == host
        assert Member.objects.get(email="a@example.org").invitation_due
        assert not HeldList.objects.exists()

    def test_refused_rows_are_named_and_hold_up_the_rest(self, client, host):
        self.upload(client, "email,name\na@example.org,Ansa\nnobody,B\n")
        assert "Line 3" in client.get(f"{HOME}lists/held/").content.decode()
        refused = client.post(f"{HOME}lists/held/", {})
        assert refused.status_code == 422
        assert "nothing was imported" in refused.content.decode()
        assert client.post(f"{HOME}lists/held/", {"take_good": "on"}).status_code == 302
        assert Member.objects.filter(email="a@example.org").exists()

    def test_it_can_be_dropped(self, client, host):
        self.upload(client, "email,name\na@example.org,Ansa\n")
        client.post(f"{HOME}lists/held/", {"drop": "1"})
        assert not HeldList.objects.exists()
        assert not Member.objects.filter(email="a@example.org").exists()

    @pytest.mark.parametrize(
        ("text", "words"),
        [("a@example.org,Ansa\n", "Line 1 must name the columns"), ("", "The file is empty.")],
    )
    def test_what_is_no_list_is_refused(self, client, host, text, words):
        answer = self.upload(client, text)
        assert answer.status_code == 422
        assert words in answer.content.decode()
        assert not HeldList.objects.exists()

    def test_a_list_is_its_hosts_alone(self, client, host):
        self.upload(client, "email,name\na@example.org,Ansa\n")
        client.force_login(cast.host())
        assert client.get(f"{HOME}lists/held/")["Location"] == f"{HOME}lists/"


def test_five_thousand_members_are_listed_quickly(client, host):
    """Searched by name and tier; the queries together, by the connection's own clock."""
    Member.objects.bulk_create(Member(email=f"p{n}@example.org", name=f"Person {n:04}") for n in range(5_000))
    tier = cast.tier()
    Grant.objects.bulk_create(
        Grant(member=member, tier=tier, starts_at=cast.NOW - timedelta(days=1))
        for member in Member.objects.filter(is_host=False)
    )
    with CaptureQueriesContext(connection) as caught:
        html = client.get(f"{HOME}?tier={tier.pk}&words=person+49").content.decode()
    assert "found, 1 to 50 shown" in html
    assert len(caught) <= 8
    assert sum(float(query["time"]) for query in caught) < 1.0  # s; ten times what it takes
