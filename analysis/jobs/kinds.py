"""The kinds of work there are. A room's `work.py` announces its own; this room knows none of them."""

from __future__ import annotations

from collections.abc import Callable
from enum import IntEnum

from analysis.jobs.claiming import Claim

Worker = Callable[[Claim], None]


class Urgency(IntEnum):
    """Who goes first where several jobs wait; the smaller number does."""

    FIRST = 0  # somebody waits for a verdict, and a deadline may be near
    USUAL = 1
    LAST = 2  # there may be thousands, and nobody minds a quarter of an hour


_workers: dict[str, Worker] = {}
_urgencies: dict[str, Urgency] = {}


def does(kind: str, *, urgency: Urgency = Urgency.USUAL) -> Callable[[Worker], Worker]:
    """Announce the function that does this kind of work: `@does("make_copy")`.

    It gets a `Claim`, does the slow part with no transaction open, and writes its result inside
    `with claim.finishing():`. Doing it twice must do no harm. Raises ValueError for a second function.
    """

    def announce(worker: Worker) -> Worker:
        if kind in _workers and _workers[kind] is not worker:
            raise ValueError(f"two workers announce themselves for {kind!r}")
        _workers[kind] = worker
        _urgencies[kind] = urgency
        return worker

    return announce


def kinds_of(urgency: Urgency) -> list[str]:
    """The kinds that are as urgent as that, in alphabetical order."""
    return sorted(kind for kind, own in _urgencies.items() if own == urgency)


def urgency_of(kind: str) -> Urgency:
    """How urgent a kind is. What no room announced is as urgent as most."""
    return _urgencies.get(kind, Urgency.USUAL)


def worker_for(kind: str) -> Worker:
    """The function that does this kind of work. KeyError when no room announced it."""
    return _workers[kind]
