"""A contest is written in the operator's pages, with an address that nothing else has."""

from __future__ import annotations

import pytest
from django.core.exceptions import ValidationError

from contests.models import Contest
from tests import cast

pytestmark = pytest.mark.django_db


@pytest.fixture
def operator(client):
    """A signed-in operator."""
    client.force_login(cast.member("Perla Quist", is_host=True, is_staff=True, is_superuser=True))
    return client


@pytest.mark.parametrize("slug", ["entries", "hosting", "judging", "results"])
def test_the_sites_own_addresses_are_refused(slug):
    made = cast.contest()
    made.slug = slug
    with pytest.raises(ValidationError, match="address of the site"):
        made.full_clean()


def test_another_address_is_taken():
    made = cast.contest(slug="spring-mix")
    made.full_clean()
    assert Contest.objects.get(slug="spring-mix") == made


@pytest.mark.parametrize(
    "address",
    ["contests/contest", "courses/course", "members/member", "members/tier"],
)
def test_the_operators_pages_open(operator, address):
    assert operator.get(f"/admin/{address}/").status_code == 200
    assert operator.get(f"/admin/{address}/add/").status_code == 200


def test_a_member_does_not_reach_them(client):
    client.force_login(cast.member())
    assert client.get("/admin/contests/contest/").status_code == 302
