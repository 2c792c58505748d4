"""The front page and the lists behind the menu: whoever runs an empty site is told what to do first."""

from __future__ import annotations

import pytest

from tests import cast

pytestmark = pytest.mark.django_db

FIRST_STEPS = {
    "/": ("/packs/hosting/new/", "/courses/hosting/new/", "/contests/hosting/new/"),
    "/packs/": ("/packs/hosting/new/", "/packs/hosting/"),
    "/courses/": ("/courses/hosting/new/", "/courses/hosting/"),
    "/contests/": ("/contests/hosting/new/", "/contests/hosting/"),
    "/practice/": ("/packs/hosting/",),
    "/recall/": ("/recall/hosting/new/", "/recall/hosting/"),
}


@pytest.mark.parametrize(("page", "ways"), FIRST_STEPS.items())
class TestAnEmptySite:
    def test_its_host_is_led_to_the_first_thing_to_do(self, client, page, ways):
        client.force_login(cast.host())
        html = client.get(page).content.decode()
        for way in ways:
            assert f'href="{way}"' in html

    def test_a_visitor_is_promised_nothing_that_is_not_there(self, client, page, ways):
        html = client.get(page, follow=True).content.decode()
        assert "Begin with a free lesson" not in html
        assert not any(way in html for way in ways)

    def test_nobody_else_is(self, client, page, ways):
        client.force_login(cast.member())
        html = client.get(page).content.decode()
        for way in ways:
            assert way not in html
