"""The clock of these tests stands a day after the close."""

from __future__ import annotations

import pytest
from django.test import Client

from academy.members.models import Member
from tests.contests import stages
from tests.contests.entering.conftest import Clock


@pytest.fixture(autouse=True)
def clock(monkeypatch: pytest.MonkeyPatch) -> Clock:
    """It says AFTER_THE_CLOSE until the test sets `clock.now`."""
    clock = Clock(stages.AFTER_THE_CLOSE)
    monkeypatch.setattr("django.utils.timezone.now", clock)
    return clock


def signed_in(member: Member) -> Client:
    """A browser in which the member is signed in."""
    client = Client()
    client.force_login(member)
    return client
