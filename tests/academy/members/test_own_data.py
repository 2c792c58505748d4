"""Take one's own data along, and leave."""

from __future__ import annotations

import io
import json
import zipfile

import pytest

from academy.letters.kinds import kind_called
from academy.letters.models import Letter, Unwanted
from academy.letters.wishes import switch_off
from academy.members import codes, leaving
from academy.members.leaving import Choice, LeavingRefused, Parting
from academy.members.models import Member, PaymentEvent
from academy.packs.models import Download, TermsAccepted
from tests import cast
from tests.academy.members.post import letters_to

pytestmark = pytest.mark.django_db

PHRASE = "a long pass phrase"
PARTINGS: list[Parting] = []


def room(member, now):
    """A room above, such as the setting MEMBER_LEAVING names."""
    return PARTINGS[0]


@pytest.fixture
def upper_room(settings):
    """Have a room above say something."""

    def say(**said):
        PARTINGS[:] = [Parting(**said)]
        settings.MEMBER_LEAVING = [f"{__name__}.room"]

    return say


@pytest.fixture
def member(client):
    """Somebody signed in, with something in every corner of this room and the packs'."""
    member = cast.member("Zoë Merrow", tier=cast.tier())
    code = codes.make_code(
        tier=cast.tier("studio", 20), length_days=9, most_uses=1, expires_at=None, made_by=None, now=cast.NOW
    )
    codes.redeem(code.code, member, now=cast.NOW)
    switch_off(member, kind_called("membership-ended"), now=cast.NOW)
    PaymentEvent.objects.create(
        event_id="e1",
        payer=member.email,
        member=member,
        tier=code.tier,
        is_grant=True,
        occurred_at=cast.NOW,
        decides_from=cast.NOW,
        received_at=cast.NOW,
        outcome="late",
    )
    pack = cast.pack(title="Harbour Lights")
    TermsAccepted.objects.create(pack=pack, member=member, terms_version=1, accepted_at=cast.NOW)
    Download.objects.create(pack=pack, member=member, started_at=cast.NOW)
    client.force_login(member)
    return member


class TestTakingAlong:
    def test_the_archive_holds_all_of_it_as_json(self, client, member):
        answer = client.get("/members/data/own.zip")
        assert answer["Content-Type"] == "application/zip"
        assert answer["Cache-Control"].startswith("max-age=0, no-cache, no-store")
        archive = zipfile.ZipFile(io.BytesIO(answer.content))
        assert archive.testzip() is None
        assert archive.namelist()[:3] == ["README.txt", "account.json", "packs.json"]
        account = json.loads(archive.read("account.json"))
        assert (account["name"], account["email"]) == ("Zoë Merrow", member.email)
        assert [one["tier"] for one in account["memberships"]] == ["Full", "Studio"]
        assert account["payment_events"][0]["event_id"] == "e1"
        assert account["unwanted_letters"] == ["membership-ended"]
        assert len(account["codes_entered"]) == 1
        packs = json.loads(archive.read("packs.json"))
        (fetched,) = packs["downloads"]
        assert (fetched["pack"], fetched["stem"]) == ("Harbour Lights", None)
        assert fetched["started_at"] == "2031-03-14T12:00:00Z"
        assert packs["terms_accepted"][0]["terms_version"] == 1
        assert "account.json: your account" in archive.read("README.txt").decode()

    def test_it_holds_nothing_of_anybody_else(self, client, member):
        other = cast.member("Somebody Else", tier=cast.tier())
        content = client.get("/members/data/own.zip").content
        archive = zipfile.ZipFile(io.BytesIO(content))
        assert all(other.email not in archive.read(name).decode() for name in archive.namelist())

    @pytest.mark.parametrize("path", ["/members/data/", "/members/data/own.zip", "/members/leave/"])
    def test_a_visitor_is_asked_to_sign_in(self, client, path):
        assert client.get(path)["Location"].startswith("/members/sign-in/")

    def test_the_page_names_the_parts(self, client, member):
        html = client.get("/members/data/").content.decode()
        assert "account.json" in html
        assert "the packs that you fetched" in html


class TestLeaving:
    def leave(self, client, phrase=PHRASE, **answers):
        """Fill in the form."""
        return client.post("/members/leave/", {"current": phrase} | answers)

    def test_nothing_of_the_member_stays_and_a_last_letter_goes(self, client, member):
        address = member.email
        assert self.leave(client)["Location"] == "/"
        assert not Member.objects.filter(email=address).exists()
        assert not TermsAccepted.objects.exists()
        assert not Download.objects.exists()
        assert not Unwanted.objects.exists()
        assert PaymentEvent.objects.get().payer == ""
        assert letters_to(address) == ["left"]
        assert Letter.objects.get(kind="left").person is None
        assert client.get("/members/").status_code == 302

    def test_it_needs_the_pass_phrase(self, client, member):
        answer = self.leave(client, "no")
        assert answer.status_code == 422
        assert "This is not your pass phrase." in answer.content.decode()
        assert Member.objects.filter(pk=member.pk).exists()

    def test_where_a_record_needs_the_row_it_stays_without_the_person(self, client, member):
        cast.recording(owner=member)
        assert self.leave(client).status_code == 302
        left = Member.objects.get(pk=member.pk)
        assert left.name.startswith("Former member ")
        assert left.email.endswith("@left.invalid")
        assert not left.is_active
        assert not left.has_usable_password()
        assert not left.grants.exists()
        assert client.get("/members/").status_code == 302

    def test_the_only_host_cannot_go(self, client):
        host = cast.host()
        client.force_login(host)
        assert "You are the only host." in client.get("/members/leave/").content.decode()
        answer = self.leave(client)
        assert answer.status_code == 422
        cast.host()
        assert self.leave(client).status_code == 302

    @pytest.mark.parametrize("has_record", [False, True])
    def test_whoever_has_left_cannot_leave_again(self, member, has_record):
        """Two taps on the button arrive one after the other."""
        if has_record:
            cast.recording(owner=member)
        leaving.leave(member, {}, now=cast.NOW)
        with pytest.raises(leaving.LeavingRefused, match="gone already"):
            leaving.leave(member, {}, now=cast.NOW)
        assert Letter.objects.filter(kind="left").count() == 1

    def test_what_a_room_asks_must_be_answered(self, client, member, upper_room):
        carried = []
        choice = Choice("mix", "What of your mix?", {"stay": "It stays.", "go": "It goes."})
        upper_room(kept=["The mix."], choices=[choice], carry_out=carried.append)
        html = client.get("/members/leave/").content.decode()
        assert "What of your mix?" in html
        assert "The mix." in html
        for answers in ({}, {"mix": "burn"}):
            assert self.leave(client, **answers).status_code == 422
        assert carried == []
        assert self.leave(client, mix="stay").status_code == 302
        assert carried[0]["mix"] == "stay"
        assert "- The mix." in Letter.objects.get(kind="left").text

    def test_a_refusal_leaves_everything_as_it_was(self, member, upper_room):
        def refuse(answers):
            Member.objects.filter(pk=member.pk).update(name="Halfway")
            raise LeavingRefused("Not now.")

        upper_room(carry_out=refuse)
        with pytest.raises(LeavingRefused, match="Not now"):
            leaving.leave(member, {}, now=cast.NOW)
        member.refresh_from_db()
        assert member.name == "Zoë Merrow"
        assert member.grants.count() == 2
