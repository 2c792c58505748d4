"""Site and worker as one process tree: start both, watch both, end both."""

from __future__ import annotations

import ctypes
import ipaddress
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable
from functools import partial
from types import FrameType

from django.conf import settings
from django.core.management import call_command
from django.db import connection
from django.db.migrations.executor import MigrationExecutor

from academy.config import static_files

GRACE_S = 25.0  # a warm stop waits for the job at hand; what is killed after that is found by the sweep
THREADS = 64  # a slow upload holds a thread to its end; forty at once must leave some for the pages
WORKER_NICENESS = 5  # jobs may wait, whoever opens a page should not
PR_SET_PDEATHSIG = 1  # linux/prctl.h


class CannotServe(Exception):
    """Something is missing before a start; the sentence says what to do."""


def prepare() -> None:
    """Bring the embedded database up to date and collect the static files where they changed."""
    executor = MigrationExecutor(connection)
    if executor.migration_plan(executor.loader.graph.leaf_nodes()):
        if connection.vendor != "sqlite":
            raise CannotServe(
                "The database is behind this version. Run `manage.py migrate` once, then serve again."
            )
        call_command("migrate", verbosity=0, interactive=False)
    static_files.collect_if_changed()
    connection.close()


def serve(*, host: str, port: int, workers: int, when_ready: Callable[[str], object]) -> bool:
    """Run until SIGINT or SIGTERM, then end every process. False when a part stopped by itself.

    Raises CannotServe when the port is taken.
    """
    _refuse_taken_port(host, port)
    if not settings.HTTPS:
        # Both parts read it: links in letters lead to this very site, whatever its port.
        os.environ.setdefault("SITE_URL", address_of(host, port))
    stop = _Stop()  # before there is anything that a signal could leave behind
    parts: list[subprocess.Popen[bytes]] = []
    try:
        parts.append(_start(_site(host, port)))
        parts.append(_start(_worker(workers), niceness=WORKER_NICENESS))
        if _answers(host, port, parts, stop):
            when_ready(f"{address_of(host, port)}/")
        while not stop.asked and all(part.poll() is None for part in parts):
            time.sleep(0.2)
        return stop.asked
    finally:
        _end(parts)


def address_of(host: str, port: int) -> str:
    """Where this machine reaches a site that listens there: “every address” is none that can be called."""
    try:
        is_every = ipaddress.ip_address(host).is_unspecified
    except ValueError:  # a name
        is_every = False
    return f"http://{'127.0.0.1' if is_every else host}:{port}"


class _Stop:
    """Remembers that somebody asked us to end."""

    def __init__(self) -> None:
        self.asked = False
        signal.signal(signal.SIGINT, self._ask)
        signal.signal(signal.SIGTERM, self._ask)

    def _ask(self, signum: int, frame: FrameType | None) -> None:
        self.asked = True


def _site(host: str, port: int) -> list[str]:
    # One process and many threads: SQLite takes one writer anyway, and uploads must not hold a process each.
    command = [
        sys.executable,
        "-m",
        "gunicorn",
        "academy.config.wsgi:application",
        "--bind",
        f"{host}:{port}",
    ]
    command += [
        "--worker-class",
        "gthread",
        "--threads",
        str(THREADS),
        "--timeout",
        "120",
        "--log-level",
        "warning",
    ]
    return [*command, "--no-control-socket"]


def _worker(workers: int) -> list[str]:
    schedule = settings.DATA_DIR / "beat"
    command = [sys.executable, "-m", "celery", "--quiet", "-A", "academy.config.celery", "worker", "--beat"]
    command += ["--schedule", str(schedule), "--concurrency", str(workers), "--loglevel", "WARNING"]
    return [*command, "--without-gossip", "--without-mingle"]


def _start(command: list[str], *, niceness: int = 0) -> subprocess.Popen[bytes]:
    # A session of its own: Ctrl-C reaches this process alone, which ends the parts in order.
    environment = os.environ | {"OPENBLAS_NUM_THREADS": "1"}
    return subprocess.Popen(
        command,
        cwd=settings.ROOT,
        env=environment,
        start_new_session=True,
        preexec_fn=partial(_begin, niceness),
    )


def _begin(niceness: int) -> None:
    """Wait behind others by so much, and let the kernel end this process with `serve`: prctl(2)."""
    os.nice(niceness)
    if sys.platform == "linux":
        ctypes.CDLL(None).prctl(PR_SET_PDEATHSIG, signal.SIGTERM)


def _answers(host: str, port: int, parts: list[subprocess.Popen[bytes]], stop: _Stop) -> bool:
    while not stop.asked and all(part.poll() is None for part in parts):
        with socket.socket() as line:
            if line.connect_ex((host, port)) == 0:
                return True
        time.sleep(0.05)
    return False


def _refuse_taken_port(host: str, port: int) -> None:
    with socket.socket() as line:
        line.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            line.bind((host, port))
        except (OSError, OverflowError) as exc:
            reason = exc.strerror if isinstance(exc, OSError) else "ports go from 0 to 65535"
            raise CannotServe(
                f"Port {port} of {host} cannot be had: {reason}. Try --port with another."
            ) from exc


def _end(parts: list[subprocess.Popen[bytes]]) -> None:
    for part in parts:
        if part.poll() is None:
            part.terminate()
    deadline = time.monotonic() + GRACE_S
    for part in parts:
        try:
            part.wait(max(0.1, deadline - time.monotonic()))
        except subprocess.TimeoutExpired:
            pass
        # Whatever is left of the part's own children goes with it.
        try:
            os.killpg(part.pid, signal.SIGKILL)
        except ProcessLookupError:
            pass
        part.wait()
