"""The site's own server, which can be killed and started again on the same port, and ways to reach it."""

from __future__ import annotations

import json
import socket
import subprocess
import sys
from pathlib import Path
from typing import Any

import requests

from tests.services import programs
from tests.services.site import ROOT, Site, end_group

CLIENT = Path(__file__).parent / "tus_client.mjs"
TOKEN = "a" * 32  # letters and digits, the same in cookie and header: what the check for forged ones compares

MAKE_MEMBER = """
from importlib import import_module
from django.conf import settings
from django.contrib.auth import HASH_SESSION_KEY, SESSION_KEY, BACKEND_SESSION_KEY
from academy.members.models import Member
member = Member.objects.create_user("{email}", "Ansa Merrow", "a long pass phrase")
session = import_module(settings.SESSION_ENGINE).SessionStore()
session[SESSION_KEY] = str(member.pk)
session[BACKEND_SESSION_KEY] = "django.contrib.auth.backends.ModelBackend"
session[HASH_SESSION_KEY] = member.get_session_auth_hash()
session.create()
print("session:" + session.session_key)
"""

LOOK = """
import hashlib, json
from analysis.intake.models import Upload
from analysis.intake.resumable import taking
upload = Upload.objects.select_related("owner").get(pk="{upload_id}")
received = taking.take(upload.pk, upload.owner)
print("received:" + json.dumps({{"sha256": received.sha256, "size_bytes": received.size_bytes}}))
"""


class TusServer:
    """One server on a site, and one signed-in member of it."""

    def __init__(self, site: Site, *, session: str | None = None, workers: int = 1) -> None:
        self.site = site
        self.port = programs.free_port()
        self.workers = workers
        self.session = session or self._told("session:", MAKE_MEMBER.format(email="ansa@example.org"))
        self._process: subprocess.Popen[bytes] | None = None

    @property
    def endpoint(self) -> str:
        """Where uploads begin."""
        return f"http://127.0.0.1:{self.port}/uploads/"

    @property
    def headers(self) -> dict[str, str]:
        """What every request of the member carries."""
        return {"Cookie": f"session={self.session}; csrf={TOKEN}", "X-CSRFToken": TOKEN}

    def start(self) -> None:
        """Start it and wait until it answers."""
        command = [sys.executable, "-m", "gunicorn", "academy.config.wsgi:application"]
        command += ["--bind", f"127.0.0.1:{self.port}", "--worker-class", "gthread", "--threads", "8"]
        command += ["--workers", str(self.workers), "--log-level", "warning", "--no-control-socket"]
        with (self.site.folder / "server.log").open("ab") as log:
            self._process = subprocess.Popen(
                command, cwd=ROOT, env=self.site.environment, stdout=log, stderr=log, start_new_session=True
            )
        programs.wait_until(self.answers, seconds=60, what="the server answers")

    def answers(self) -> bool:
        """Whether it speaks the protocol yet."""
        try:
            return requests.options(self.endpoint, timeout=10).status_code == 204
        except requests.ConnectionError:
            return False

    def kill(self) -> None:
        """End it as a power cut would, every process of it."""
        if self._process is not None:
            end_group(self._process)

    def ask(self, method: str, address: str = "", body: bytes = b"", **headers: str) -> requests.Response:
        """One request of the member."""
        named = {name.replace("_", "-"): value for name, value in headers.items()}
        kind = {"Content-Type": "application/offset+octet-stream"} if method == "PATCH" else {}
        return requests.request(
            method,
            self.endpoint + address,
            data=body,
            headers={"Tus-Resumable": "1.0.0"} | kind | self.headers | named,
            timeout=60,
        )

    def open(self, size_bytes: int) -> str:
        """Begin an upload; its id."""
        answer = self.ask("POST", Upload_Length=str(size_bytes))
        assert answer.status_code == 201, answer.text
        return answer.headers["Location"].rpartition("/")[2]

    def throw_all_away(self) -> None:
        """End whatever the member has under way."""
        for upload in self.ask("GET").json()["uploads"]:
            self.ask("DELETE", upload["address"].rpartition("/")[2])

    def offset(self, upload_id: str) -> int:
        """Where it stands."""
        return int(self.ask("HEAD", upload_id).headers["Upload-Offset"])

    def send_and_break(self, upload_id: str, body: bytes, *, at: int, announced: int) -> None:
        """Send less than was announced, and break the line."""
        self.send_and_stay(upload_id, body, at=at, announced=announced).close()

    def staged(self, upload_id: str) -> Path:
        """Where what has arrived of an upload lies on the server's disk."""
        return self.site.folder / "incoming" / "resumable" / upload_id.replace("-", "")

    def send_and_stay(self, upload_id: str, body: bytes, *, at: int, announced: int) -> socket.socket:
        """Send less than was announced, and fall silent. Returns the open line."""
        head = (
            f"PATCH /uploads/{upload_id} HTTP/1.1\r\nHost: 127.0.0.1:{self.port}\r\nTus-Resumable: 1.0.0\r\n"
        )
        head += f"Content-Type: application/offset+octet-stream\r\nUpload-Offset: {at}\r\n"
        head += f"Content-Length: {announced}\r\n"
        head += "".join(f"{name}: {value}\r\n" for name, value in self.headers.items())
        line = socket.create_connection(("127.0.0.1", self.port))
        line.sendall(head.encode() + b"\r\n" + body)
        return line

    def node(self, file: Path, **settings: Any) -> subprocess.Popen[str]:
        """Let the vendored client send a file, in a process of its own; its last line is JSON."""
        told = {"endpoint": self.endpoint, "file": str(file), "headers": self.headers} | settings
        return subprocess.Popen(["node", str(CLIENT), json.dumps(told)], stdout=subprocess.PIPE, text=True)

    def take(self, upload_id: str) -> dict[str, Any]:
        """Take the upload as a room would; what arrived."""
        found: dict[str, Any] = json.loads(self._told("received:", LOOK.format(upload_id=upload_id)))
        return found

    def _told(self, mark: str, script: str) -> str:
        done = self.site.manage("shell", "--no-imports", "-c", script)
        assert mark in done.stdout, done.stdout + done.stderr
        return done.stdout.partition(mark)[2].strip()
