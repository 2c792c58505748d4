"""A contest closes while uploads are under way."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from django.db import transaction
from django.utils import timezone

from academy.members.models import Member
from analysis.intake import sealing
from contests.hosting import running as hosting
from contests.models import Contest
from tests import cast
from tests.services.scenes.props import entries_of, new_upload, submit
from tests.services.scenes.racing import at_once, somebody_waits, thread_of


def close_while_entering(contest: int, host: int, entrants: int) -> dict[str, Any]:
    """Many enter and the host closes, all at once, each with a connection of its own.

    `at_close` are the entries that somebody sees right after the close; `in_the_end` those after all is over.
    """
    people = [cast.member().pk for _ in range(entrants)]
    files = [new_upload() for _ in people]
    seen: dict[str, Any] = {"refused": 0}

    def close() -> None:
        _close(contest, host)
        seen["at_close"] = entries_of(contest)

    def enter_once(person: int, received: sealing.Received) -> Callable[[], None]:
        def run() -> None:
            if submit(contest, person, received) is not None:
                seen["refused"] += 1

        return run

    # The closing starts in the midst of the others.
    tries = [enter_once(*pair) for pair in zip(people, files, strict=True)]
    at_once([*tries[: entrants // 2], close, *tries[entrants // 2 :]])
    return seen | {"in_the_end": entries_of(contest), "state": Contest.objects.get(pk=contest).state}


def enter_after_lock(contest: int, host: int, entrant: int) -> dict[str, Any]:
    """The close is under way, not yet committed, when an upload comes: it waits, and is then refused."""
    received = new_upload()
    refusals: list[str | None] = []
    late = thread_of(lambda: refusals.append(submit(contest, entrant, received)))
    with transaction.atomic():
        _close(contest, host)
        late.start()
        waits = somebody_waits()
    late.join()
    return {"waited": waits, "refusal": refusals[0], "entries": len(entries_of(contest))}


def close_after_lock(contest: int, host: int, entrant: int) -> dict[str, Any]:
    """An upload is under way, not yet committed, when the host closes: the close waits, the entry is in."""
    received = new_upload()
    closing = thread_of(lambda: _close(contest, host))
    with transaction.atomic():
        refusal = submit(contest, entrant, received)
        closing.start()
        waits = somebody_waits()
    closing.join()
    return {
        "waited": waits,
        "refusal": refusal,
        "entries": len(entries_of(contest)),
        "state": Contest.objects.get(pk=contest).state,
    }


def _close(contest: int, host: int) -> None:
    hosting.close_contest(
        contest, actor=Member.objects.get(pk=host), now=timezone.now(), reason="the race is run"
    )
