"""What a person wants to get, the one-click link, and the host's preview."""

from __future__ import annotations

import base64
import hashlib
import re

import pytest
from django.test import Client

from academy.letters import kinds, wishes, writing
from academy.letters.kinds import kind_called
from tests import cast

pytestmark = pytest.mark.django_db

GIVEN = "membership-given"


def path_of(address: str) -> str:
    """The path of an address of this site."""
    return address.removeprefix("http://127.0.0.1:8000")


class TestWanted:
    def test_what_is_not_ticked_is_switched_off_and_on_again(self, client):
        person = cast.member()
        client.force_login(person)
        assert client.post("/letters/", {"wanted": ["membership-ended"]})["Location"] == "/letters/"
        assert GIVEN in wishes.unwanted_by(person)
        assert "membership-ended" not in wishes.unwanted_by(person)
        client.post("/letters/", {"wanted": [GIVEN, "joining"]})
        assert GIVEN not in wishes.unwanted_by(person)

    def test_an_essential_one_has_no_switch(self, client):
        client.force_login(cast.member())
        html = client.get("/letters/").content.decode()
        assert f'value="{GIVEN}"' in html
        assert 'value="joining"' not in html

    def test_a_visitor_is_asked_to_sign_in(self, client):
        assert client.get("/letters/")["Location"] == "/members/sign-in/?next=/letters/"


class TestOneClick:
    """RFC 8058: a POST without cookies switches off; a GET does not, for scanners open every link."""

    def test_a_mail_program_switches_off_without_signing_in(self):
        person, kind = cast.member(), kind_called(GIVEN)
        path = path_of(wishes.off_address(person, kind))
        program = Client(enforce_csrf_checks=True)
        assert program.get(path).status_code == 200
        assert not wishes.is_unwanted(person, kind)
        answer = program.post(
            path, "List-Unsubscribe=One-Click", content_type="application/x-www-form-urlencoded"
        )
        assert answer.status_code == 200
        assert wishes.is_unwanted(person, kind)

    def test_a_link_that_is_not_ours_is_not_there(self, client):
        path = path_of(wishes.off_address(cast.member(), kind_called(GIVEN)))
        for wrong in (path[:-3] + "x/", "/letters/off/abc/", path.replace("/off/", "/off/x")):
            assert client.post(wrong).status_code == 404

    def test_an_essential_kind_cannot_be_switched_off_by_any_link(self, client):
        path = path_of(wishes.off_address(cast.member(), kind_called("joining")))
        assert client.post(path).status_code == 404


class TestHosting:
    @pytest.mark.parametrize("path", ["/letters/hosting/", f"/letters/hosting/{GIVEN}/"])
    def test_it_is_there_for_hosts_alone(self, client, path):
        assert client.get(path).status_code == 302
        client.force_login(cast.member())
        assert client.get(path).status_code == 404
        client.force_login(cast.host())
        assert client.get(path).status_code == 200
        assert client.post(path).status_code == 405

    def test_every_kind_has_both_bodies_and_fills_every_word(self, client):
        client.force_login(cast.host())
        every = kinds.every_kind()
        assert len(every) > 10
        for kind in every:
            words = writing.words_of(kind, kind.sample, off_address="https://school.example/off/")
            links = {one for one in map(str, kind.sample.values()) if one.startswith("https://")}
            for body in (words.text, words.html):
                assert "{{" not in body
                assert all(link in body for link in links), kind.name
                assert kind.why in body
            assert client.get(f"/letters/hosting/{kind.name}/").status_code == 200

    def test_the_shown_letter_may_use_its_own_style_and_nothing_else(self, client):
        client.force_login(cast.host())
        response = client.get(f"/letters/hosting/{GIVEN}/html/")
        style = re.search(r"<style>(.*?)</style>", response.content.decode(), re.DOTALL).group(1)
        digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
        policy = response["Content-Security-Policy"]
        assert f"style-src 'sha256-{digest}'" in policy
        assert "default-src 'none'" in policy
        assert "unsafe" not in policy


def test_a_browser_that_asks_for_an_icon_unasked_finds_the_sites_own(client):
    """The letter as a mail program shows it names no icon, so browsers look under the usual address."""
    icon = client.get("/favicon.ico")
    assert (icon.status_code, icon["Location"]) == (302, "/static/academy/icon.svg")
