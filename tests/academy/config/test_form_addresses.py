"""An address that only takes what a form sends says so to whoever opens it."""

from __future__ import annotations

import pytest

from tests import cast

pytestmark = pytest.mark.django_db

ONLY_FOR_A_FORM = "/members/code/"
BROWSER = {"accept": "text/html,application/xhtml+xml"}


class TestFormAddresses:
    def test_a_browser_that_looks_gets_words_and_a_way_on(self, client):
        client.force_login(cast.member())
        response = client.get(ONLY_FOR_A_FORM, headers=BROWSER)
        assert response.status_code == 405
        assert response["Allow"] == "POST"
        page = response.content.decode()
        assert "only takes what a form on another page sends" in page
        assert 'href="/members/"' in page

    def test_whoever_had_to_sign_in_on_the_way_is_told_to_fill_it_in_once_more(self, client):
        host = cast.host()
        sent = client.post("/courses/hosting/course/first/publish/")
        assert sent["Location"] == "/members/sign-in/?next=/courses/hosting/course/first/publish/"
        client.force_login(host)
        page = client.get(sent["Location"].split("next=")[1], headers=BROWSER)
        assert "fill it in once more" in page.content.decode()

    def test_a_visitor_is_led_to_the_front_page(self, client):
        assert 'href="/">The front page</a>' in client.get(ONLY_FOR_A_FORM, headers=BROWSER).content.decode()

    def test_a_program_and_a_wrong_form_get_the_bare_answer(self, client):
        client.force_login(cast.member())
        assert client.get(ONLY_FOR_A_FORM, headers={"accept": "application/json"}).content == b""
        assert client.post("/courses/", headers=BROWSER).content == b""
