"""Start a real Redis, PostgreSQL or S3 endpoint on a free port, with a folder of its own."""

from __future__ import annotations

import os
import pwd
import re
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from tests.conftest import path_of

README = Path(__file__).resolve().parents[2] / "README.md"
LONGEST_START_S = 60.0
TEMPORARY = ("client_body", "proxy", "fastcgi", "uwsgi", "scgi")  # folders that nginx wants to have


def free_port() -> int:
    """A port of this machine that nobody has."""
    with socket.socket() as line:
        line.bind(("127.0.0.1", 0))
        port: int = line.getsockname()[1]
        return port


def wait_until(holds: Callable[[], object], *, seconds: float, what: str) -> None:
    """Return as soon as `holds()` is true; fail with `what` when it is not in time."""
    deadline = time.monotonic() + seconds
    while not holds():
        assert time.monotonic() < deadline, f"after {seconds:g} s still not: {what}"
        time.sleep(0.05)


def answers(port: int) -> bool:
    """Whether somebody takes connections on a local port."""
    with socket.socket() as line:
        return line.connect_ex(("127.0.0.1", port)) == 0


@dataclass
class Redis:
    """A Redis of the test's own, which can be killed, frozen and started again."""

    folder: Path
    port: int = field(default_factory=free_port)
    _process: subprocess.Popen[bytes] | None = None

    @property
    def url(self) -> str:
        """For REDIS_URL."""
        return f"redis://127.0.0.1:{self.port}/0"

    def start(self) -> None:
        """Start it, with what was written before it was killed."""
        command = [path_of("redis-server") or "redis-server", "--port", str(self.port), "--bind", "127.0.0.1"]
        command += ["--dir", str(self.folder), "--appendonly", "yes", "--appendfsync", "always", "--save", ""]
        self._process = subprocess.Popen(command, stdout=subprocess.DEVNULL)
        wait_until(lambda: answers(self.port), seconds=LONGEST_START_S, what="Redis answers")

    def send(self, number: signal.Signals) -> None:
        """Send it a signal: SIGKILL, SIGSTOP, SIGCONT."""
        assert self._process is not None
        self._process.send_signal(number)
        if number is signal.SIGKILL:
            self._process.wait()

    def stop(self) -> None:
        """Make an end of it, frozen or not."""
        if self._process is not None:
            self._process.kill()
            self._process.wait()


@contextmanager
def s3_endpoint() -> Iterator[str]:
    """The address of an empty S3 endpoint in a process of its own."""
    port = free_port()
    command = [sys.executable, "-m", "moto.server", "--host", "127.0.0.1", "--port", str(port)]
    with subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as process:
        try:
            wait_until(lambda: answers(port), seconds=LONGEST_START_S, what="the S3 endpoint answers")
            yield f"http://127.0.0.1:{port}"
        finally:
            process.kill()


@contextmanager
def nginx(folder: Path, *, shelf: Path, site: str) -> Iterator[str]:
    """The address of an nginx before a site, with the settings that the README shows.

    `shelf` is where the recordings lie, `site` the site's own address. Where this is root, its worker is
    nobody in root's group, as the front server is in the group of the site's user.
    """
    (locations,) = re.findall(r"```nginx\n(.*?)```", README.read_text(), re.DOTALL)
    for shown, real in (("/srv/school/data/recordings/", f"{shelf}/"), ("http://127.0.0.1:8000", site)):
        assert locations.count(shown) == 1
        locations = locations.replace(shown, real)
    port = free_port()
    user = "user nobody root;" if os.geteuid() == 0 else ""
    places = [f"{kind}_temp_path {folder / kind};" for kind in TEMPORARY]
    server = f"server {{ listen 127.0.0.1:{port}; access_log off; {locations} }}"
    settings = (
        f"daemon off; {user} worker_processes 1; pid {folder / 'pid'}; error_log {folder / 'log'};\n"
        f"events {{}}\nhttp {{ {' '.join(places)}\n{server} }}\n"
    )
    (folder / "nginx.conf").write_text(settings)
    command = [path_of("nginx") or "nginx", "-p", str(folder), "-c", str(folder / "nginx.conf")]
    with subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as process:
        try:
            wait_until(lambda: answers(port), seconds=LONGEST_START_S, what="nginx answers")
            yield f"http://127.0.0.1:{port}"
        finally:
            process.terminate()


@dataclass
class Postgres:
    """A PostgreSQL cluster of the test run's own."""

    folder: Path
    port: int = field(default_factory=free_port)

    def url(self, database: str) -> str:
        """For DATABASE_URL."""
        return f"postgres://tests@127.0.0.1:{self.port}/{database}"

    def run(self, program: str, *words: str) -> None:
        """Run one of PostgreSQL's programs, as somebody it accepts: never root."""
        binaries = Path(os.path.realpath(path_of("postgres") or "postgres")).parent
        done = subprocess.run(
            [str(binaries / program), *words],
            cwd=self.folder,
            user=_unprivileged(),
            extra_groups=None if _unprivileged() is None else [],
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            check=False,
        )
        assert done.returncode == 0, f"{program}: {done.stdout}"

    def create(self, database: str, *, like: str = "template0") -> None:
        """Make a database as a copy of another."""
        self.run(
            "createdb", "-h", "127.0.0.1", "-p", str(self.port), "-U", "tests", "--template", like, database
        )


@contextmanager
def postgres() -> Iterator[Postgres]:
    """A running PostgreSQL, gone with its folder at the end."""
    # Not under pytest's own folder, which is closed to everybody but its owner.
    with tempfile.TemporaryDirectory(prefix="site-postgres-") as name:
        server = Postgres(Path(name))
        if (user := _unprivileged()) is not None:
            shutil.chown(name, user)
        server.run(
            "initdb", "--pgdata", "cluster", "--username", "tests", "--auth", "trust", "--no-sync",
            "--encoding", "UTF8", "--locale", "C",
        )  # fmt: skip
        options = f"-p {server.port} -k {name} -c listen_addresses=127.0.0.1 -c fsync=off"
        # Its words go to a file: a pipe would stay open as long as the server does.
        server.run("pg_ctl", "-D", "cluster", "-o", options, "-l", "log", "-w", "start")
        try:
            yield server
        finally:
            server.run("pg_ctl", "-D", "cluster", "-m", "immediate", "-w", "stop")


def _unprivileged() -> str | None:
    """Whom to be when this is root; None when it is not."""
    if os.geteuid() != 0:
        return None
    names = {entry.pw_name for entry in pwd.getpwall()}
    return "postgres" if "postgres" in names else "nobody"
