"""Forgotten pass phrases, new ones, new addresses and names; and doors that shut."""

from __future__ import annotations

from datetime import timedelta

import pytest
from django.test import Client, RequestFactory
from django.utils import timezone

from academy.members import doors
from academy.members.models import DoorCount, Member
from academy.members.sweeping import sweep
from tests import cast
from tests.academy.members.post import letters_to, link_in

pytestmark = pytest.mark.django_db

OLD, PHRASE = "a long pass phrase", "seven quiet kettles"


def both(phrase=PHRASE):
    """The new one, twice."""
    return {"pass_phrase": phrase, "again": phrase}


class TestForgotten:
    def ask(self, client, address):
        """Fill in the form."""
        return client.post("/members/forgotten/", {"address": address})

    def test_known_and_unknown_addresses_read_the_same(self, client):
        member, gone = cast.member(), cast.member(is_active=False)
        answers = [self.ask(client, address) for address in (member.email, "no@example.org", gone.email)]
        assert {(one.status_code, one["Location"]) for one in answers} == {(302, "/members/written/")}
        assert letters_to(member.email) == ["new-pass-phrase"]
        assert letters_to("no@example.org") == letters_to(gone.email) == ["no-account"]

    def test_the_link_sets_a_new_one_and_every_session_ends(self, client):
        member, elsewhere = cast.member(), Client()
        elsewhere.force_login(member)
        self.ask(client, member.email)
        self.ask(client, member.email)
        path = link_in("new-pass-phrase", member.email)
        assert client.post(path, both()).status_code == 302
        member.refresh_from_db()
        assert member.check_password(PHRASE)
        assert elsewhere.get("/members/").status_code == 302
        assert client.get("/members/").status_code == 200
        assert letters_to(member.email)[-1] == "pass-phrase-changed"

    def test_a_new_one_ends_every_other_link_to_one(self, client):
        member = cast.member()
        self.ask(client, member.email)
        first = link_in("new-pass-phrase", member.email)
        self.ask(client, member.email)
        client.post(link_in("new-pass-phrase", member.email), both())
        assert client.post(first, both("another long one")).status_code == 410

    def test_the_link_is_good_for_two_hours(self, client, monkeypatch):
        member = cast.member()
        self.ask(client, member.email)
        path = link_in("new-pass-phrase", member.email)
        monkeypatch.setattr(timezone, "now", lambda: cast.NOW + timedelta(hours=2))
        assert client.get(path).status_code == 410

    def test_a_link_of_who_has_left_opens_nothing(self, client):
        member = cast.member()
        self.ask(client, member.email)
        Member.objects.filter(pk=member.pk).update(is_active=False)
        assert client.post(link_in("new-pass-phrase", member.email), both()).status_code == 410


class TestChanging:
    @pytest.fixture
    def member(self, client):
        """Somebody signed in."""
        member = cast.member()
        client.force_login(member)
        return member

    def test_the_pass_phrase_changes_for_who_knows_the_old_one(self, client, member):
        wrong = client.post("/members/account/pass-phrase/", {"current": "no"} | both())
        assert wrong.status_code == 422
        assert "This is not your pass phrase." in wrong.content.decode()
        assert client.post("/members/account/pass-phrase/", {"current": OLD} | both()).status_code == 302
        assert client.get("/members/").status_code == 200  # this session goes on
        member.refresh_from_db()
        assert member.check_password(PHRASE)
        assert letters_to(member.email) == ["pass-phrase-changed"]

    def test_after_ten_wrong_ones_the_right_one_is_not_looked_at(self, client, member):
        for _ in range(10):
            client.post("/members/account/pass-phrase/", {"current": "no"} | both())
        answer = client.post("/members/account/pass-phrase/", {"current": OLD} | both())
        assert "tried too often" in answer.content.decode()
        member.refresh_from_db()
        assert member.check_password(OLD)

    def test_behind_a_shut_door_right_and_wrong_ones_read_the_same(self, client, member):
        for _ in range(10):
            client.post("/members/account/pass-phrase/", {"current": "no"} | both())
        for path, more in (
            ("/members/account/pass-phrase/", both()),
            ("/members/account/address/", {"address": "new@example.org"}),
            ("/members/leave/", {}),
        ):
            pages = [client.post(path, {"current": guess} | more).content.decode() for guess in (OLD, "no")]
            assert all("tried too often" in page for page in pages), path
            assert not any("This is not your pass phrase" in page for page in pages), path

    def test_letters_without_number_do_not_open_a_way_to_guess_uncounted(self, client, member):
        """Each answer that tells a wrong pass phrase from a right one is a counted one."""
        told = 0
        for _ in range(doors.LETTER_FROM.most_tries + doors.PASS_PHRASE.most_tries + 5):
            page = client.post("/members/account/address/", {"current": "no", "address": "new@example.org"})
            told += "This is not your pass phrase" in page.content.decode()
        assert told == doors.PASS_PHRASE.most_tries

    def test_an_empty_form_behind_a_shut_door_is_answered_in_words(self, client):
        client.logout()
        for _ in range(doors.JOIN_FROM.most_tries):
            client.post("/members/join/")
        answer = client.post("/members/join/")
        assert (answer.status_code, "tried too often" in answer.content.decode()) == (422, True)

    def test_a_new_address_holds_once_it_is_confirmed_there(self, client, member):
        old = member.email
        sent = {"address": "Moved@example.org", "current": OLD}
        assert client.post("/members/account/address/", sent)["Location"] == "/members/written/"
        member.refresh_from_db()
        assert member.email == old
        path = link_in("new-address", "moved@example.org")
        assert Client().get(path).status_code == 200
        assert Client().post(path).status_code == 302  # at another device, perhaps
        member.refresh_from_db()
        assert member.email == "moved@example.org"
        assert letters_to(old) == ["address-changed"]
        assert Client().post(path).status_code == 410

    def test_an_address_that_is_taken_reads_the_same_and_its_owner_is_told(self, client, member):
        other = cast.member()
        sent = {"address": other.email, "current": OLD}
        assert client.post("/members/account/address/", sent)["Location"] == "/members/written/"
        assert letters_to(other.email) == ["has-account"]

    def test_an_address_taken_meanwhile_stays_the_others(self, client, member):
        client.post("/members/account/address/", {"address": "new@example.org", "current": OLD})
        path = link_in("new-address", "new@example.org")
        Member.objects.create_user("new@example.org", "Faster")
        assert "Another account has this address by now" in client.post(path).content.decode()
        member.refresh_from_db()
        assert member.email != "new@example.org"

    def test_a_letter_in_the_old_box_opens_nothing_after_the_move(self, client, member):
        Client().post("/members/forgotten/", {"address": member.email})
        stale = link_in("new-pass-phrase", member.email)
        client.post("/members/account/address/", {"address": "new@example.org", "current": OLD})
        client.post(link_in("new-address", "new@example.org"))
        assert Client().post(stale, both()).status_code == 410

    def test_the_name_changes(self, client, member):
        assert client.post("/members/account/name/", {"name": "  Ansa  Lind "}).status_code == 302
        member.refresh_from_db()
        assert member.name == "Ansa  Lind"
        assert client.post("/members/account/name/", {"name": " "}).status_code == 422

    @pytest.mark.parametrize("page", ["", "name/", "address/", "pass-phrase/"])
    def test_a_visitor_is_asked_to_sign_in(self, page):
        answer = Client().post(f"/members/account/{page}") if page else Client().get("/members/account/")
        assert answer["Location"].startswith("/members/sign-in/")


class TestDoors:
    def sign_in(self, address, phrase="no", **more):
        """Try once."""
        return Client().post("/members/sign-in/", {"username": address, "password": phrase}, **more)

    def test_after_ten_failures_an_address_is_not_looked_at_from_there(self, monkeypatch):
        member = cast.member()
        for address in (member.email, "nobody@example.org"):
            codes = [self.sign_in(address).status_code for _ in range(11)]
            assert codes == [422] * 10 + [429]  # known or not
        shut = self.sign_in(member.email, OLD)
        assert shut.status_code == 429
        assert 0 < int(shut["Retry-After"]) <= 15 * 60
        assert self.sign_in(member.email, OLD, REMOTE_ADDR="192.0.2.7").status_code == 302
        monkeypatch.setattr(timezone, "now", lambda: cast.NOW + timedelta(minutes=15))
        assert self.sign_in(member.email, OLD).status_code == 302

    def test_one_network_may_not_try_everybody(self):
        answers = [self.sign_in(f"p{number}@example.org").status_code for number in range(101)]
        assert answers == [422] * 100 + [429]

    def test_the_operators_pages_have_no_door_of_their_own(self, client):
        answer = client.get("/admin/", follow=True)
        assert answer.redirect_chain[-1][0] == "/members/sign-in/?next=/admin/"
        client.force_login(cast.member())
        assert client.get("/admin/", follow=True).status_code == 404
        client.force_login(Member.objects.create_superuser("root@example.org", "Root", PHRASE))
        assert client.get("/admin/").status_code == 200
        assert client.post("/admin/login/").status_code == 405

    def test_successes_are_not_counted(self):
        member = cast.member()
        assert {self.sign_in(member.email, OLD).status_code for _ in range(12)} == {302}

    @pytest.mark.parametrize(
        ("seen", "behind_proxy", "network"),
        [
            ({"REMOTE_ADDR": "192.0.2.7"}, False, "192.0.2.7"),
            # RFC 4291, 2.5.4: two machines of one subnet
            ({"REMOTE_ADDR": "2001:db8:1:2::9"}, False, "2001:db8:1:2::/64"),
            ({"REMOTE_ADDR": "2001:db8:1:2:ffff::1"}, False, "2001:db8:1:2::/64"),
            ({"REMOTE_ADDR": "10.0.0.1", "HTTP_X_FORWARDED_FOR": "198.51.100.1"}, False, "10.0.0.1"),
            (
                {"REMOTE_ADDR": "10.0.0.1", "HTTP_X_FORWARDED_FOR": "203.0.113.9, 198.51.100.1"},
                True,
                "198.51.100.1",
            ),
            ({"REMOTE_ADDR": ""}, False, "unknown"),
        ],
    )
    def test_whose_network_it_is(self, settings, seen, behind_proxy, network):
        settings.BEHIND_PROXY = behind_proxy
        assert doors.network_of(RequestFactory().get("/", **seen)) == network

    def test_no_address_is_kept_and_old_counts_go(self):
        self.sign_in("nobody@example.org")
        assert all(len(row.who) == 64 for row in DoorCount.objects.all())
        sweep(cast.NOW + timedelta(days=2))
        assert not DoorCount.objects.exists()
