"""What contests put on a member's own page: each line only for whom it is, and leading somewhere."""

from __future__ import annotations

import re

import pytest
from django.test import Client

from tests import cast

pytestmark = pytest.mark.django_db

LINES = {"Your contests", "Judging", "Your entries"}


def lines_of(client: Client) -> dict[str, str]:
    """The contests' lines on the own page, with their addresses."""
    html = client.get("/members/").content.decode()
    return {
        title: address
        for address, title in re.findall(r'<h3><a href="(.*?)">(.*?)</a>', html)
        if title in LINES
    }


def test_a_member_like_any_other_finds_none(client):
    client.force_login(cast.member())
    assert lines_of(client) == {}


def test_a_host_finds_the_desks(client):
    client.force_login(cast.host())
    lines = lines_of(client)
    assert set(lines) == {"Your contests"}
    assert client.get(lines["Your contests"]).status_code == 200


def test_a_judge_finds_the_judging(client):
    client.force_login(cast.judge(cast.contest()).member)
    lines = lines_of(client)
    assert set(lines) == {"Judging"}
    assert client.get(lines["Judging"]).status_code == 200
