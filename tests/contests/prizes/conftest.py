"""A contest with decided places and prizes of each kind. The clock is that of the host's desk."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from decimal import Decimal

import pytest

from academy.letters.models import Letter
from academy.members.models import Member
from contests.models import Award, Contest, Entry, Handing, Prize
from contests.results import publishing
from tests.contests import stages
from tests.contests.hosting.conftest import clock  # noqa: F401  a fixture

NOW = stages.AFTER_THE_CLOSE
A_DAY = timedelta(days=1)
ADDRESS = "Quaywater House\n7 Tern Lane\nOld Saltings"
CODE = "https://gift.example.org/QXZV-7781"

IN_ORDER = {"J1": {"A": 9, "B": 7, "C": 5, "D": 3}, "J2": {"A": 8, "B": 6, "C": 4, "D": 2}}
B_AND_C_TIED = {"J1": {"A": 9, "B": 7, "C": 7, "D": 3}, "J2": {"A": 8, "B": 6, "C": 6, "D": 2}}


@dataclass
class Won:
    """A contest whose result is decided, its people by letter, and its prizes by title."""

    contest: Contest
    host: Member
    entries: dict[str, Entry]

    def prize(self, title: str, **fields: object) -> Prize:
        """One more prize."""
        return Prize.objects.create(contest=self.contest, title=title, **fields)

    def member(self, letter: str) -> Member:
        """An entrant."""
        return self.entries[letter].member

    def publish(self, now: datetime = NOW) -> None:
        """End the embargo."""
        publishing.publish_result(self.contest.pk, actor=self.host, now=now)
        self.contest.refresh_from_db()

    def actions(self) -> list[str]:
        """What the decision log holds about prizes, in order."""
        known = [line.action for line in self.contest.decisions.order_by("number")]
        return [action for action in known if "prize" in action or "choose" in action or "winner" in action]


def decided(table: dict[str, dict[str, float]] = IN_ORDER) -> Won:
    """A decided contest."""
    stage, entries = stages.judged_by_table(table)
    publishing.decide_result(stage.contest.pk, actor=stage.host, now=NOW)
    return Won(stage.reread(), stage.host, entries)


@pytest.fixture
def won(db: None) -> Won:
    """Places A, B, C, D; a prize for each of the first two, nothing given yet."""
    found = decided()
    worth = {"value": Decimal("300.00"), "currency": "EUR"}
    found.prize("Cables", place=1, handing=Handing.SHIPPED, **worth)
    found.prize("Strings", place=2, handing=Handing.DIGITAL, value=Decimal("90"), currency="CHF")
    return found


def award_of(title: str) -> Award:
    """The latest award of a prize."""
    return Award.objects.filter(prize__title=title).latest("pk")


def letters_of(kind: str) -> list[Letter]:
    """Every letter of a kind, in the order of writing."""
    return list(Letter.objects.filter(kind=kind).order_by("pk"))
