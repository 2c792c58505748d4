"""The clock of these tests stands a day after the close."""

from __future__ import annotations

import pytest
from django.test import Client

from academy.members.models import Member
from tests.clock import Clock, stopped_at
from tests.contests import stages


@pytest.fixture(autouse=True)
def clock(monkeypatch: pytest.MonkeyPatch) -> Clock:
    """It says AFTER_THE_CLOSE until the test sets `clock.now`."""
    return stopped_at(stages.AFTER_THE_CLOSE, monkeypatch)


def signed_in(member: Member) -> Client:
    """A browser in which the member is signed in."""
    client = Client()
    client.force_login(member)
    return client
