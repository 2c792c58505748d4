"""Members come, leave, pay and redeem codes, several at the same moment."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import timedelta
from typing import Any

from django.conf import settings
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from academy.letters.models import Letter
from academy.members import codes, leaving
from academy.members.models import Grant, Member, PaymentEvent
from academy.members.payments import signatures
from academy.members.queries import in_force
from contests import decisions
from contests.models import Contest
from tests import cast
from tests.services.scenes.entering import open_contest
from tests.services.scenes.props import new_upload, submit
from tests.services.scenes.racing import at_once, in_the_midst


def let_somebody_in(email: str) -> int:
    """A new member; the primary key."""
    return Member.objects.create_user(email, "Late Comer").pk


def leave_at_once(hosts: int) -> dict[str, int]:
    """Every host there is leaves at the same moment."""
    refusals: list[str] = []

    def go(member: Member) -> Callable[[], None]:
        def run() -> None:
            try:
                leaving.leave(member, {}, now=timezone.now())
            except leaving.LeavingRefused as refusal:
                refusals.append(str(refusal))

        return run

    at_once([go(cast.host()) for _ in range(hosts)])
    stay = Member.objects.filter(is_host=True, is_active=True).count()
    return {"stay": stay, "refused": sum("only host" in refusal for refusal in refusals)}


def leave_while_a_host_decides() -> dict[str, Any]:
    """An entrant leaves while a host's decision about the same contest is under way."""
    made = open_contest()
    contest, host = Contest.objects.get(pk=made["contest"]), Member.objects.get(pk=made["host"])
    entrant = Member.objects.get(pk=made["entrant"])
    assert submit(contest.pk, entrant.pk, new_upload()) is None
    outcome = in_the_midst(
        lambda: Contest.objects.select_for_update().get(pk=contest.pk),
        lambda: leaving.leave(entrant, {}, now=timezone.now()),
        lambda: decisions.record(contest, "names shown", actor=host, now=timezone.now(), reason="A wish."),
    )
    return outcome | {"entries": list(contest.entries.values_list("state", flat=True))}


def pay_at_once(stranger: str, events: int, times: int, tiers: int = 1) -> dict[str, Any]:
    """Post signed grants of a stranger at the same moment, each event so many times. What is held then?"""
    now = timezone.now()
    slugs = [cast.tier(f"tier-{number}", number).slug for number in range(1, tiers + 1)]
    said: list[str] = []

    def post(number: int) -> Callable[[], None]:
        event = {
            "id": f"{stranger}-{number}",
            "type": "grant",
            "occurred_at": (now - timedelta(minutes=number)).isoformat(),
            "email": stranger,
            "tier": slugs[number % tiers],
            "ends_at": (now + timedelta(days=30)).isoformat(),
        }
        body = json.dumps(event).encode()
        signature = signatures.sign(body, secret=settings.MEMBERSHIP_SECRETS[0], sent_at=now)

        def run() -> None:
            answer = Client(HTTP_HOST="localhost").post(
                reverse("members:payments"),
                body,
                content_type="application/json",
                headers={signatures.HEADER: signature},
            )
            said.append(answer.json()["outcome"])

        return run

    at_once([post(number) for number in range(events) for _ in range(times)])
    return {
        "said": sorted(said),
        "members": Member.objects.filter(email=stranger).count(),
        "events": PaymentEvent.objects.filter(payer=stranger).count(),
        "in_force": Grant.objects.filter(in_force(timezone.now()), member__email=stranger).count(),
        "invited": Letter.objects.filter(kind="invited", address=stranger).count(),
    }


def redeem_at_once(people: int, uses: int) -> dict[str, int]:
    """Several members enter one code at the same moment."""
    now = timezone.now()
    code = codes.make_code(
        tier=cast.tier(), length_days=30, most_uses=uses, expires_at=None, made_by=None, now=now
    )
    said: list[str] = []

    def redeem(member: Member) -> Callable[[], None]:
        def run() -> None:
            try:
                codes.redeem(code.code, member, now=now)
            except codes.CodeRefused:
                said.append("refused")
            else:
                said.append("given")

        return run

    at_once([redeem(cast.member()) for _ in range(people)])
    code.refresh_from_db()
    return {"given": said.count("given"), "refused": said.count("refused"), "uses": code.uses}
