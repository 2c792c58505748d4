"""A site of a test's own: its folder, its environment, its processes, and somebody inside to ask."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
NOT_INHERITED = {"DATABASE_URL", "REDIS_URL", "STORAGE_URL", "EMAIL_URL", "ALLOWED_HOSTS", "DEBUG", "HTTPS"}


class Site:
    """One DATA_DIR and whatever runs on it."""

    def __init__(self, folder: Path, **environment: str) -> None:
        self.folder = folder
        inherited = {name: value for name, value in os.environ.items() if name not in NOT_INHERITED}
        self.environment = inherited | {
            "DATA_DIR": str(folder),
            "DJANGO_SETTINGS_MODULE": "academy.config.settings",
            "OPENBLAS_NUM_THREADS": "1",
            **environment,
        }
        self._inside: subprocess.Popen[str] | None = None

    def play(self, scene: str, **arguments: Any) -> Any:
        """Call one of the `scenes` by its name in a process of this site and return what it returns."""
        if self._inside is None:
            self._inside = self._start_inside()
        assert self._inside.stdin is not None
        assert self._inside.stdout is not None
        self._inside.stdin.write(json.dumps([scene, arguments]) + "\n")
        self._inside.stdin.flush()
        answer = self._inside.stdout.readline()
        assert answer, (self.folder / "stage.log").read_text()
        return json.loads(answer)

    def _start_inside(self) -> subprocess.Popen[str]:
        with (self.folder / "stage.log").open("a") as log:
            return subprocess.Popen(
                [sys.executable, "-m", "tests.services.stage"],
                cwd=ROOT,
                env=self.environment,
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=log,
                text=True,
            )

    def manage(self, *words: str) -> subprocess.CompletedProcess[str]:
        """Run one of the site's commands to its end."""
        return subprocess.run(
            [sys.executable, "manage.py", *words],
            cwd=ROOT,
            env=self.environment,
            capture_output=True,
            text=True,
            check=False,
        )

    @contextmanager
    def worker(self) -> Iterator[subprocess.Popen[bytes]]:
        """A worker process with one child that does the jobs; leads a process group of its own."""
        command = [sys.executable, "-m", "celery", "--quiet", "-A", "academy.config.celery", "worker"]
        command += ["--concurrency", "1", "--loglevel", "WARNING", "--without-gossip", "--without-mingle"]
        with (self.folder / "worker.log").open("ab") as log:
            process = subprocess.Popen(
                command, cwd=ROOT, env=self.environment, stdout=log, stderr=log, start_new_session=True
            )
        try:
            yield process
        finally:
            end_group(process)

    def close(self) -> None:
        """End whoever was inside."""
        if self._inside is not None:
            self._inside.communicate()  # the end of its input is the end of it


def end_group(process: subprocess.Popen[Any]) -> None:
    """Kill a process and everything it started. Nothing happens when they are gone."""
    try:
        os.killpg(process.pid, signal.SIGKILL)
    except ProcessLookupError:
        pass
    process.wait()


def children_of(pid: int) -> list[int]:
    """The processes that a process started and that still live."""
    return [int(word) for word in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]


def processes_with(setting: str, value: str) -> list[int]:
    """Every living process whose environment has the setting, read from Linux's own table."""
    wanted = f"{setting}={value}".encode()
    found = []
    for folder in Path("/proc").glob("[0-9]*"):
        try:
            if wanted in (folder / "environ").read_bytes().split(b"\0"):
                found.append(int(folder.name))
        except OSError:  # gone meanwhile, or somebody else's
            continue
    return found
