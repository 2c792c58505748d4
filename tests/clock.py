"""The server's clock, as far as Django is concerned, in the hands of a test."""

from __future__ import annotations

from datetime import datetime

import pytest


class Clock:
    """It says `now` until the test sets another."""

    def __init__(self, now: datetime) -> None:
        self.now = now

    def __call__(self) -> datetime:
        return self.now


def stopped_at(now: datetime, monkeypatch: pytest.MonkeyPatch) -> Clock:
    """Put such a clock in the place of Django's until the test is over."""
    clock = Clock(now)
    monkeypatch.setattr("django.utils.timezone.now", clock)
    return clock
