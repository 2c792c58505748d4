"""A result is published, and its prizes are chosen and handed out."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from typing import Any

from django.conf import settings
from django.utils import timezone

from academy.letters.models import Letter
from academy.members.models import Member
from analysis.intake import sealing
from contests import decisions
from contests.models import Award, Decision, Entry, Prize, Result, Turn
from contests.prizes import choosing, erasing, giving, handing
from contests.prizes.refusals import PrizeRefused
from contests.results import publishing
from contests.states import ContestState, EntryState
from tests import cast
from tests.services.scenes.props import new_upload
from tests.services.scenes.racing import at_once


def decided_contest() -> dict[str, Any]:
    """A decided contest with two entries; a prize is planned for the first, and two are to be chosen."""
    now = timezone.now()
    contest = cast.contest(state=ContestState.DECIDED)
    receipts = []
    for place in (1, 2):
        member = cast.member()
        entry = Entry.objects.create(
            contest=contest,
            member=member,
            recording=sealing.seal(new_upload(), owner=member, now=now),
            state=EntryState.READY,
            receipt=f"{contest.pk}-{place}",
            received_at=now,
            rules_version=1,
        )
        Result.objects.create(contest=contest, entry=entry, place=place, code=f"{contest.pk}x{place}")
        receipts.append(entry.receipt)
    Prize.objects.create(contest=contest, title="Cables", place=1, handing="shipped")
    for title in ("Lamp", "Desk"):
        Prize.objects.create(contest=contest, title=title, is_choice=True)
    host = cast.host()
    giving.give_by_place(contest.pk, actor=host, now=now)
    return {"contest": contest.pk, "host": host.pk, "receipts": receipts}


def publish_at_once(contest: int, host: int, receipts: list[str], times: int) -> dict[str, int]:
    """The moment of a publication comes, and everybody asks for it at once."""
    now = timezone.now()
    at = now + timedelta(seconds=1)
    publishing.set_publication(contest, at, actor=Member.objects.get(pk=host), now=now)
    published: list[int] = []
    at_once([lambda: published.append(publishing.publish_due(at))] * times)
    return {
        "published": sum(published),
        "asked": len(published),
        "lines": Decision.objects.filter(contest=contest, action=decisions.PUBLISHED).count(),
        "winners_told": Letter.objects.filter(kind="prize-told").count(),
    }


def choose_at_once(contest: int, host: int, receipts: list[str], times: int) -> dict[str, Any]:
    """One winner presses twice, for different prizes, in several windows at the same moment."""
    now, actor = timezone.now(), Member.objects.get(pk=host)
    publishing.publish_result(contest, actor=actor, now=now)
    turn = choosing.ask(contest, receipts[0], days=7, actor=actor, now=now)
    winner = turn.entry.member
    prizes = list(Prize.objects.filter(contest=contest, is_choice=True).values_list("pk", flat=True))
    refusals: list[str] = []

    def choose(prize: int) -> Callable[[], None]:
        def run() -> None:
            try:
                choosing.choose(turn.pk, prize, actor=winner, now=now)
            except PrizeRefused as exc:
                refusals.append(str(exc))

        return run

    at_once([choose(prizes[at % 2]) for at in range(times)])
    return {
        "chosen": Award.objects.filter(prize__in=prizes).count(),
        "refused": len(refusals),
        "turns": sorted(Turn.objects.filter(contest=contest).values_list("state", flat=True)),
    }


def erase_addresses(contest: int, host: int, receipts: list[str]) -> list[int]:
    """How many postal addresses go a second before their time, at their time, and after it."""
    now, actor = timezone.now(), Member.objects.get(pk=host)
    publishing.publish_result(contest, actor=actor, now=now)
    award = Award.objects.get(prize__contest=contest, prize__place=1)
    handing.confirm(award.pk, actor=award.entry.member, now=now, address="7 Tern Lane")
    handing.send(award.pk, actor=actor, now=now + timedelta(days=30))
    due = now + timedelta(days=30 + settings.PRIZE_ADDRESS_DAYS)
    moments = (due - timedelta(seconds=1), due, due)
    return [erasing.erase_what_is_due(moment) for moment in moments]
