"""Several acts at the same moment, each in a thread and with a connection of its own."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from typing import Any

from django.db import connection, connections, transaction


def at_once(runs: list[Callable[[], object]]) -> None:
    """Run each in a thread and with a connection of its own, from one starting shot."""
    together = threading.Barrier(len(runs))
    faults: list[BaseException] = []

    def run_from_the_shot(run: Callable[[], object]) -> None:
        try:
            connection.ensure_connection()
            together.wait()
            run()
        except BaseException as exc:
            faults.append(exc)

    threads = [thread_of(lambda run=run: run_from_the_shot(run)) for run in runs]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    if faults:
        raise faults[0]


def in_the_midst(
    first: Callable[[], object], other: Callable[[], object], then: Callable[[], object]
) -> dict[str, Any]:
    """Do `first`; begin `other` on a connection of its own, and when it waits, go on with `then` and commit.

    Whether it waited, and what it raised in the end; empty where it raised nothing.
    """
    refusals: list[str] = []

    def run() -> None:
        try:
            other()
        except Exception as exc:
            refusals.append(f"{type(exc).__name__}: {exc}")

    thread = thread_of(run)
    with transaction.atomic():
        first()
        thread.start()
        waits = somebody_waits()
        then()
    thread.join()
    return {"waited": waits, "refusal": "".join(refusals)}


def somebody_waits() -> bool:
    """Whether PostgreSQL says, within ten seconds, that a connection waits for a lock."""
    for _ in range(200):
        with connection.cursor() as cursor:
            cursor.execute(
                # Not pg_stat_activity, which shows one transaction the same picture to its end.
                "SELECT count(*) FROM pg_locks WHERE NOT granted"
            )
            (waiting,) = cursor.fetchone()
        if waiting:
            return True
        time.sleep(0.05)
    return False


def thread_of(run: Callable[[], object]) -> threading.Thread:
    """A thread for one act, not started yet, which closes its connection behind it."""

    def ran() -> None:
        try:
            run()
        finally:
            connections.close_all()

    return threading.Thread(target=ran)
