"""The kinds of work there are. A room's `work.py` announces its own; this room knows none of them."""

from __future__ import annotations

from collections.abc import Callable

from analysis.jobs.claiming import Claim

Worker = Callable[[Claim], None]

_workers: dict[str, Worker] = {}


def does(kind: str) -> Callable[[Worker], Worker]:
    """Announce the function that does this kind of work: `@does("make_copy")`.

    It gets a `Claim`, does the slow part with no transaction open, and writes its result inside
    `with claim.finishing():`. Doing it twice must do no harm.
    """

    def announce(worker: Worker) -> Worker:
        if kind in _workers and _workers[kind] is not worker:
            raise ValueError(f"two workers announce themselves for {kind!r}")
        _workers[kind] = worker
        return worker

    return announce


def worker_for(kind: str) -> Worker:
    """The function that does this kind of work. KeyError when no room announced it."""
    return _workers[kind]
