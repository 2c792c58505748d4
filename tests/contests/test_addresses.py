"""No contest can be called by an address of the site itself: the two would be one page."""

from __future__ import annotations

import pytest
from django.core.exceptions import ValidationError
from django.urls import URLPattern, URLResolver

from contests import urls
from contests.models.contest import TAKEN_ADDRESSES, not_taken

OWN_NAME = "<slug:slug>"


def routes(patterns: list[URLPattern | URLResolver], before: str = "") -> list[str]:
    """Every address of the contests as it is written in the urlconfs."""
    found = []
    for one in patterns:
        address = before + str(one.pattern)
        found += routes(one.url_patterns, address) if isinstance(one, URLResolver) else [address]
    return found


def beside_a_name() -> set[str]:
    """First segments that stand where, under the same beginning, a contest's name may stand."""
    split = [route.split("/") for route in routes(urls.urlpatterns)]
    beginnings = {tuple(parts[: parts.index(OWN_NAME)]) for parts in split if OWN_NAME in parts}
    return {
        parts[len(start)]
        for parts in split
        for start in beginnings
        if tuple(parts[: len(start)]) == start and parts[len(start) :][:1] not in ([], [""], [OWN_NAME])
    }


def test_the_walk_finds_what_it_is_for():
    assert {"new", "hear", "scorecards", "entries", "hosting"} <= beside_a_name()


def test_every_such_address_is_taken_and_no_other():
    assert {one for one in beside_a_name() if not one.startswith("<")} == TAKEN_ADDRESSES


@pytest.mark.parametrize("word", sorted(TAKEN_ADDRESSES))
def test_a_taken_one_is_refused_in_words(word):
    with pytest.raises(ValidationError, match="an address of the site itself"):
        not_taken(word)
